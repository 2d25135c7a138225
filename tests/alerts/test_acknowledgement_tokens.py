"""Tickets: whoever holds one may acknowledge one alert, for a while; nobody can make one up."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from contactd.alerts.acknowledgement_tokens import LASTS_S, Tickets
from contactd.core.errors import InputError

SECRET = b"not to be guessed by anybody"
TICKETS = Tickets(SECRET, "https://watch.example/acknowledge/")


def test_a_ticket_names_its_alert_and_its_channel(letters):
    ticket = TICKETS.read(TICKETS.write(letters.alert, "mail"), letters.noon)
    assert (ticket.identity, ticket.channel) == ("step-uncovered-0123", "mail")


def test_a_link_is_safe_in_any_mail_and_fits_a_line(letters):
    alert = replace(letters.alert, identity="keep-clear-begins-" + "f" * 20)
    link = TICKETS.link(alert, "flight director")
    assert link.startswith("https://watch.example/acknowledge/")
    assert link.isascii()
    assert not set(link) & set(" <>\"'+=&?#")
    assert len(link) < 250


def test_a_ticket_is_good_until_its_end_and_no_longer(letters):
    text = TICKETS.write(letters.alert, "mail")
    end = letters.alert.moment + LASTS_S
    TICKETS.read(text, end)
    with pytest.raises(InputError, match="good until 2026-12-10 12:50:00Z"):
        TICKETS.read(text, end + 1.5)


def test_a_ticket_made_with_another_secret_is_refused(letters):
    other = Tickets(b"another secret altogether", "https://watch.example")
    with pytest.raises(InputError, match="changed or cut off"):
        TICKETS.read(other.write(letters.alert, "mail"), letters.noon)


def test_every_single_changed_letter_is_noticed(letters):
    text = TICKETS.write(letters.alert, "mail")
    for place, letter in enumerate(text):
        changed = text[:place] + ("A" if letter != "A" else "B") + text[place + 1 :]
        try:
            ticket = TICKETS.read(changed, letters.noon)
        except InputError:
            continue
        # The last letter of a base64 text may hold bits that mean nothing.
        assert ticket.identity == letters.alert.identity


@given(st.text(max_size=80) | st.text("AQb-_.=", max_size=80))
def test_no_text_at_all_is_a_ticket_by_chance(text):
    with pytest.raises(InputError):
        TICKETS.read(text, 0.0)


def test_a_text_of_any_length_is_refused_quickly(letters):
    with pytest.raises(InputError):
        TICKETS.read("A" * 10_000_000, letters.noon)


def test_a_short_secret_is_refused_and_not_shown():
    with pytest.raises(InputError, match="5 bytes") as caught:
        Tickets(b"short", "https://watch.example")
    assert "short" not in str(caught.value)
