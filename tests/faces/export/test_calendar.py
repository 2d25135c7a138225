"""Calendars: what RFC 5545 asks of the text, and what keeps an event the same event.

Read back by vobject, which shares no code with the library that writes them. Rules of RFC 5545 from
memory: 3.1 (lines of at most 75 octets, CRLF), 3.3.5 (UTC ends in Z), 3.3.11 (escapes), 3.6.1 (UID
and DTSTAMP), 3.8.7.4 (SEQUENCE), 3.8.1.11 (STATUS).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
import vobject

from contactd.core import instants
from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.errors import InputError
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import (
    Covered,
    SequenceForecast,
    Start,
    StepForecast,
    StepStatus,
    StopChance,
)
from contactd.faces.export.calendar import calendar_text
from contactd.faces.export.events import KINDS, Event, Scope, events_of

NOW = instants.from_text("2026-11-25T09:00:00Z")
STATIONS = {"Nordhavn": Station("Nordhavn", 69.25, 18.5)}


def contact(aos_s: float, lasts_s: float = 600.0, station: str = "Nordhavn") -> Contact:
    aos = NOW + aos_s
    return Contact(
        "Lantern 3", station, aos, aos + lasts_s / 2, aos + lasts_s, 12.0, 80.0, 187.0, 45.2, 812.0
    )


def outlook(*contacts: Contact) -> TargetOutlook:
    span = (NOW, NOW + 86_400)
    return TargetOutlook("Lantern 3", span, contacts=contacts)


def contact_events(*contacts: Contact) -> list[Event]:
    return events_of(outlook(*contacts), STATIONS, ["contact"])


def read(text: bytes) -> dict[str, vobject.base.Component]:
    """Events by UID, as another library sees them."""
    calendar = vobject.readOne(text.decode())
    return {event.uid.value: event for event in calendar.contents.get("vevent", [])}


def only(text: bytes) -> vobject.base.Component:
    [event] = read(text).values()
    return event


def test_another_library_reads_back_what_was_written() -> None:
    event = only(calendar_text(contact_events(contact(3600.4)), NOW))
    assert event.dtstart.value == datetime(2026, 11, 25, 10, 0, 0, tzinfo=UTC)
    assert event.dtend.value == datetime(2026, 11, 25, 10, 10, 0, tzinfo=UTC)
    assert event.summary.value == "Lantern 3: contact with Nordhavn, max 45°"
    assert event.location.value == "Nordhavn"
    assert event.geo.value == "69.25;18.5"
    assert event.status.value == "CONFIRMED"
    assert event.sequence.value == "0"
    assert "AOS 2026-11-25 10:00:00Z at azimuth 12 deg\nTCA " in event.description.value


def test_the_text_keeps_the_rules_of_the_standard() -> None:
    long_name = Station("Île-Verte " * 12, -10.0, 20.0)
    far = contact(60, station=long_name.name)
    text = calendar_text(
        events_of(outlook(far), {long_name.name: long_name}, ["contact"]), NOW, name="watch; room"
    )
    assert text.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in text.replace(b"\r\n", b"")
    lines = text.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    for line in lines:
        line.decode("utf-8")  # a fold never falls within a character
    assert lines[0] == b"BEGIN:VCALENDAR"
    assert b"VERSION:2.0" in lines
    assert any(line.startswith(b"PRODID:") for line in lines)
    assert b"NAME:watch\\; room" in lines
    unfolded = text.replace(b"\r\n ", b"").decode()
    for field in ("UID:", "DTSTAMP:20261125T090000Z", "DTSTART:20261125T090100Z"):
        assert f"\r\n{field}" in unfolded
    assert "\\, max 45°" in unfolded


def test_the_same_prediction_gives_the_same_calendar_byte_for_byte() -> None:
    events = contact_events(contact(3600), contact(9000))
    first = calendar_text(events, NOW)
    assert calendar_text(events, NOW) == first
    assert calendar_text(events, NOW + 500, before=first) == first


def test_an_event_that_moves_keeps_its_name_and_counts_up() -> None:
    text = calendar_text(contact_events(contact(3600)), NOW)
    name = only(text).uid.value
    for count, shift_s in enumerate((40, 500, 900), 1):
        later = NOW + 60 * count
        text = calendar_text(contact_events(contact(3600 + shift_s)), later, before=text)
        event = only(text)
        assert event.uid.value == name
        assert event.sequence.value == str(count)
        assert instants.from_utc(event.dtstamp.value) == later
        assert instants.from_utc(event.dtstart.value) == NOW + 3600 + shift_s


def test_an_event_that_is_dropped_is_cancelled_once_and_for_all() -> None:
    first = calendar_text(contact_events(contact(3600), contact(9000)), NOW)
    second = calendar_text(contact_events(contact(9000)), NOW + 60, before=first)
    states = {
        instants.from_utc(event.dtstart.value) - NOW: (event.status.value, event.sequence.value)
        for event in read(second).values()
    }
    assert states == {3600: ("CANCELLED", "1"), 9000: ("CONFIRMED", "0")}
    assert read(second).keys() == read(first).keys()
    assert calendar_text(contact_events(contact(9000)), NOW + 120, before=second) == second


def test_a_cancelled_event_that_comes_back_is_the_same_event() -> None:
    first = calendar_text(contact_events(contact(3600)), NOW)
    dropped = calendar_text([], NOW + 60, before=first)
    again = only(calendar_text(contact_events(contact(3600)), NOW + 120, before=dropped))
    assert (again.status.value, again.sequence.value) == ("CONFIRMED", "2")
    assert again.uid.value == only(first).uid.value


def test_what_is_over_or_outside_the_span_stays_as_it_was() -> None:
    events = contact_events(contact(600), contact(50_000))
    first = calendar_text(events, NOW)
    later = NOW + 3600
    second = calendar_text([], later, before=first, span=(later, later + 7200))
    assert second == first


def test_what_is_long_over_is_let_go() -> None:
    first = calendar_text(contact_events(contact(600)), NOW)
    assert read(calendar_text([], NOW + 32 * 86_400, before=first)) == {}


def test_what_was_not_asked_for_is_left_alone() -> None:
    two = contact_events(contact(3600), contact(9000, station="Mirador"))
    first = calendar_text(two, NOW)
    scope = Scope(frozenset({"contact"}), None, frozenset({"Nordhavn"}))
    second = calendar_text([], NOW, before=first, covers=scope.covers)
    states = {event.location.value: event.status.value for event in read(second).values()}
    assert states == {"Nordhavn": "CANCELLED", "Mirador": "CONFIRMED"}


def test_the_next_contact_is_never_taken_for_the_last_one() -> None:
    passes = [contact(5400 * number) for number in range(1, 9)]
    first = calendar_text(contact_events(*passes), NOW)
    second = calendar_text(contact_events(*passes[1:]), NOW, before=first)
    cancelled = [each for each in read(second).values() if each.status.value == "CANCELLED"]
    assert [instants.from_utc(each.dtstart.value) - NOW for each in cancelled] == [5400]
    assert len(read(second)) == 8


def test_a_contact_without_an_end_does_not_change_with_every_prediction() -> None:
    def always_up(now: float) -> list[Event]:
        cut = replace(contact(0), aos=now - 86_400, los=now + 7 * 86_400, tca=now)
        whole = replace(cut, cut_at_start=True, cut_at_end=True)
        return events_of(outlook(whole), STATIONS, ["contact"])

    first = calendar_text(always_up(NOW), NOW)
    text = first
    for minutes in range(1, 60, 7):
        text = calendar_text(always_up(NOW + 60 * minutes), NOW + 60 * minutes, before=text)
    assert text == first
    a_week_on = NOW + 6.5 * 86_400
    extended = only(calendar_text(always_up(a_week_on), a_week_on, before=first))
    assert extended.uid.value == only(first).uid.value
    assert instants.from_utc(extended.dtend.value) == pytest.approx(a_week_on + 7 * 86_400, abs=1)
    assert "max" not in extended.summary.value


def test_steps_bring_their_stop_by_and_keep_clear_rounded_to_the_safe_side() -> None:
    step = StepForecast(
        "Lantern 3",
        "wake-up",
        "antenna release",
        StepStatus.RUNNING,
        earliest=NOW + 3600.4,
        nominal=NOW + 3630,
        latest=NOW + 3660.4,
        coverage=Covered.UNCOVERED,
        stop_by=NOW + 1800.7,
        stop_station="Nordhavn",
        stops="receiver on",
        stop_certain=True,
        stop_possible=True,
        keep_clear=(NOW + 3480.4, NOW + 4260.4),
        hazard="deployment",
        reasons=("no station covers command then",),
    )
    forecast = SequenceForecast("Lantern 3", "wake-up", Start(), (step,))
    covered = {"command": {"Nordhavn": Coverage(nominal=IntervalSet([NOW + 60], [NOW + 400]))}}
    seen = replace(outlook(), services=covered, forecasts=(forecast,))
    by_kind = {
        event.categories.value[0]: event
        for event in read(calendar_text(events_of(seen, STATIONS, KINDS), NOW)).values()
    }
    assert set(by_kind) == {"window", "step", "stop-by", "keep-clear"}

    def times(kind: str) -> list[float]:
        names = [name for name in ("dtstart", "dtend") if name in by_kind[kind].contents]
        return [instants.from_utc(by_kind[kind].contents[name][0].value) - NOW for name in names]

    assert times("step") == [3600, 3661]
    assert times("keep-clear") == [3480, 4261]
    assert times("stop-by") == [1800]
    assert times("window") == [60, 400]
    assert "expires uncovered" in by_kind["step"].summary.value
    assert '"stop receiver on" through Nordhavn' in by_kind["stop-by"].summary.value
    for kind in ("step", "stop-by", "keep-clear"):
        assert "responsible authority decide" in by_kind[kind].description.value


@pytest.mark.parametrize("name", ["Mirador, west; 2", "back\\\\slash", 'quo"te:', "a\\\\n"])
def test_a_name_with_signs_of_the_format_in_it_is_found_again(name: str) -> None:
    first = calendar_text(contact_events(contact(3600, station=name)), NOW)
    assert only(first).location.value == name
    second = calendar_text(contact_events(contact(3640, station=name)), NOW, before=first)
    assert only(second).sequence.value == "1"


def test_control_characters_never_reach_the_text() -> None:
    event = replace(
        contact_events(contact(60))[0], summary="Lan\x1b[31mtern\x00\rX", location="a\tb"
    )
    text = calendar_text([event], NOW)
    assert not set(text) & (set(range(32)) - {10, 13})
    assert only(text).summary.value == "Lan[31mternX"


@pytest.mark.parametrize("text", [b"", b"not a calendar", b"BEGIN:VCALENDAR\r\n", b"\xff\xfe\x00"])
def test_what_is_no_calendar_is_refused(text: bytes) -> None:
    with pytest.raises(InputError, match="a calendar that contactd wrote"):
        calendar_text([], NOW, before=text)


def test_somebody_elses_events_are_left_out() -> None:
    theirs = (
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nBEGIN:VEVENT\r\nUID:1@x\r\n"
        b"DTSTAMP:20261125T090000Z\r\nDTSTART:20261125T100000Z\r\nSUMMARY:tea\r\nEND:VEVENT\r\n"
        b"END:VCALENDAR\r\n"
    )
    assert b"tea" not in calendar_text([], NOW, before=theirs)


def test_a_contact_that_the_station_is_out_for_is_tentative_and_says_why() -> None:
    out = Station(
        "Nordhavn",
        69.25,
        18.5,
        outages=IntervalSet([NOW], [NOW + 7200.0]),
        outage_reasons=((NOW, NOW + 7200.0, "mast painted"),),
    )
    event = only(
        calendar_text(events_of(outlook(contact(3600)), {"Nordhavn": out}, ["contact"]), NOW)
    )
    assert event.status.value == "TENTATIVE"
    assert "out of service 09:00:00Z to 11:00:00Z: mast painted" in event.summary.value
    assert "Do not plan on this contact." in event.description.value


def test_a_stop_that_is_no_longer_certain_is_no_deadline_and_its_chances_are_events() -> None:
    step = StepForecast(
        "Lantern 3",
        "wake-up",
        "beacon on",
        StepStatus.RUNNING,
        earliest=NOW + 3600,
        nominal=NOW + 3630,
        latest=NOW + 3660,
        stop_by=NOW - 60,
        stop_certain=False,
        stop_possible=True,
        stop_chances=(
            StopChance("Nordhavn", "receiver on", NOW + 60.4, NOW + 99.6, NOW + 3610, 0.8),
        ),
    )
    forecast = SequenceForecast("Lantern 3", "wake-up", Start(), (step,))
    made = calendar_text(
        events_of(replace(outlook(), forecasts=(forecast,)), STATIONS, ["step"]), NOW
    )
    by_kind = {event.categories.value[0]: event for event in read(made).values()}
    assert set(by_kind) == {"step", "stop-chance"}
    chance = by_kind["stop-chance"]
    assert instants.from_utc(chance.dtstart.value) == NOW + 61
    assert instants.from_utc(chance.dtend.value) == NOW + 99
    assert "no certain stop, step 'beacon on': \"stop receiver on\"" in chance.summary.value


def test_a_stop_by_that_has_passed_or_moved_is_taken_out_of_the_calendar() -> None:
    stop = Event("stop-by", "Lantern 3/wake-up/boom", NOW + 600, NOW + 600, "stop by", "")
    first = calendar_text([stop], NOW)
    moved = calendar_text([replace(stop, start=NOW + 6000, end=NOW + 6000)], NOW, before=first)
    assert sorted(each.status.value for each in read(moved).values()) == ["CANCELLED", "CONFIRMED"]
    assert only(calendar_text([], NOW + 700, before=first)).status.value == "CANCELLED"
    assert only(calendar_text([stop], NOW + 700, before=first)).status.value == "CONFIRMED"
