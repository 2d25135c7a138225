"""Contacts that were missed: what is recorded of one, and what they no longer cover."""

from __future__ import annotations

import pytest

from contactd.core import record as kinds
from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.contacts.missed import missed_contact, without_missed
from contactd.core.errors import InputError
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.record import Record

NOON = from_text("2026-11-25T12:00:00Z")


def contact(aos: float, los: float, station: str = "House", **more: bool) -> Contact:
    return Contact("Lantern 3", station, aos, (aos + los) / 2, los, 10, 90, 170, 40, 900, **more)


CONTACTS = (contact(NOON, NOON + 600), contact(NOON + 6000, NOON + 6500))


def missed(at: float, until: float | None = None, station: str = "House") -> Record:
    body = missed_contact(CONTACTS, station, at, at, until, " wind ")
    return Record(at, kinds.CONTACT_MISSED, "Lantern 3", "tester", body)


def left(*records: Record, station: str = "House") -> list[IntervalSet]:
    """What is left of coverage, which is half a minute wider than contacts where possible."""
    known = IntervalSet.of((each.aos, each.los) for each in CONTACTS)
    coverage = Coverage(known, known.shrink(30, 30), known.grow(30, 30))
    services = {"command": {station: coverage}, "telemetry": {station: coverage}}
    result = without_missed(services, CONTACTS, records)
    assert result["command"] == result["telemetry"]
    found = result["command"][station]
    return [found.nominal, found.certain, found.possible]


def test_a_missed_contact_covers_nothing_whatever_the_timing_error() -> None:
    for coverage in left(missed(NOON + 300)):
        ((start, end),) = coverage
        assert (start + end) / 2 == NOON + 6250
        assert end - start == pytest.approx(500, abs=60)


def test_from_when_the_station_has_it_again_it_covers() -> None:
    nominal, certain, possible = left(missed(NOON + 300, until=NOON + 400))
    assert next(iter(nominal)) == (NOON + 400, NOON + 600)
    assert next(iter(certain)) == (NOON + 400, NOON + 570)
    assert next(iter(possible)) == (NOON + 400, NOON + 630)


@pytest.mark.parametrize(
    "record",
    [missed(NOON + 3000), missed(NOON + 300, station="Elsewhere")],
    ids=["time", "station"],
)
def test_what_is_no_contact_of_the_station_takes_nothing_away(record: Record) -> None:
    known = IntervalSet.of((each.aos, each.los) for each in CONTACTS)
    assert left(record)[0] == known


def test_two_missed_contacts_are_both_gone() -> None:
    assert not any(left(missed(NOON), missed(NOON + 6500)))


def test_the_body_says_what_was_stated() -> None:
    assert missed(NOON + 300, NOON + 400).body == {
        "station": "House",
        "at": "2026-11-25T12:05:00.000Z",
        "until": "2026-11-25T12:06:40.000Z",
        "why": "wind",
    }


@pytest.mark.parametrize(
    ("at", "until", "key"),
    [(NOON + 1, None, "at"), (NOON - 60, NOON - 60, "until"), (NOON - 60, None, "until")],
    ids=["in the future", "not after", "an end nobody knows"],
)
def test_what_cannot_be_is_refused(at: float, until: float | None, key: str) -> None:
    hanging = (contact(NOON - 9e4, NOON + 9e4, cut_at_start=True, cut_at_end=True),)
    with pytest.raises(InputError) as refused:
        missed_contact(hanging, "House", at, NOON, until)
    assert refused.value.key == key
