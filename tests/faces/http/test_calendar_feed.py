"""The calendar that others subscribe to, read back by an independent library."""

from __future__ import annotations

from datetime import datetime

import httpx
import pytest
import vobject

pytestmark = pytest.mark.process


def feed(service, **query) -> httpx.Response:
    return httpx.get(f"{service.base}/contacts.ics", params=query, timeout=20)


def events(answer: httpx.Response) -> dict:
    assert answer.status_code == 200, answer.text
    assert answer.headers["Content-Type"].startswith("text/calendar")
    found = vobject.readOne(answer.text).contents.get("vevent", [])
    return {each.uid.value: each for each in found}


def test_the_feed_holds_every_contact_at_its_times(service):
    held = events(feed(service, target="Lantern 3", kind="contact"))
    contacts = [each for each in service.json("/contacts") if each["target"] == "Lantern 3"]
    begins = [each.dtstart.value.timestamp() for each in held.values()]
    ahead = [
        datetime.fromisoformat(each["aos"]).timestamp()
        for each in contacts
        if not each["cut_at_start"]
    ]
    assert ahead
    for aos in ahead:
        assert min(abs(aos - begin) for begin in begins) <= 1.0


def test_asked_again_an_unchanged_event_keeps_its_uid_and_sequence(service):
    first, second = (events(feed(service, target="Lantern 3", kind="contact")) for _ in range(2))
    assert first.keys() == second.keys()
    for uid, event in first.items():
        assert event.sequence.value == second[uid].sequence.value


def test_what_is_not_known_is_a_problem_document(service):
    answer = feed(service, target="Lantern 33")
    assert answer.status_code == 404
    assert answer.headers["Content-Type"].startswith("application/problem+json")
