"""Stations' schedules beside what was asked, and allocations in the ledger."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from allocation_cases import AFTER, BEFORE, DAWN, Case

from contactd.core.allocation.allocate import allocate
from contactd.core.allocation.compare import Kind, compare
from contactd.core.allocation.records import (
    allocation_body,
    learn_allocation,
    learn_schedule,
    schedule_body,
)
from contactd.core.allocation.result import Allocation, Grant, How
from contactd.core.allocation.schedule import (
    Booking,
    Confirmed,
    Schedule,
    bookings_of,
    time_given,
)
from contactd.core.intervals import IntervalSet
from contactd.core.record import Record

MINUTE_S = 60.0


def booking(target: str, start: float, end: float, station: str = "North") -> Booking:
    return Booking(target, station, DAWN + MINUTE_S * start, DAWN + MINUTE_S * end)


def schedule(*bookings: Booking) -> Schedule:
    return Schedule("North", DAWN, DAWN + 1000 * MINUTE_S, bookings)


def record(body: dict[str, Any]) -> Record:
    return Record(BEFORE, "whatever", "station time", "contactd", body)


ONE = booking("Lantern", 10, 20)


@pytest.mark.parametrize(
    ("given", "kind", "text"),
    [
        (booking("Lantern", 10.01, 20), Kind.AS_ASKED, "as asked for"),
        (booking("Lantern", 8, 22), Kind.LONGER, "begins 2 min earlier and ends 2 min later"),
        (booking("Lantern", 12, 20), Kind.SHORTER, "begins 2 min later"),
        (booking("Lantern", 10, 18.5), Kind.SHORTER, "ends 1 min 30 s earlier"),
        (booking("Lantern", 11, 21), Kind.MOVED, "begins 1 min later and ends 1 min later"),
    ],
)
def test_a_contact_that_was_given_otherwise_says_how(given: Booking, kind: Kind, text: str) -> None:
    (found,) = compare([ONE], schedule(given))
    assert (found.kind, found.text) == (kind, text)
    assert (found.asked, found.given) == (ONE, given)


def test_what_was_refused_and_what_nobody_asked_for_are_told_apart() -> None:
    elsewhere = booking("Lantern", 10, 20, station="South")
    outside = booking("Lantern", 2000, 2010)
    given = booking("Heron", 30, 40)
    found = compare([ONE, elsewhere, outside], schedule(given))
    assert [(each.kind, each.target) for each in found] == [
        (Kind.REFUSED, "Lantern"),
        (Kind.UNASKED, "Heron"),
    ]


def test_each_contact_is_compared_once_with_what_it_has_most_in_common_with() -> None:
    asked = [booking("Lantern", 0, 10), booking("Lantern", 12, 22)]
    given = [booking("Lantern", 9, 22)]
    found = compare(asked, schedule(*given))
    assert [(each.kind, each.asked) for each in found] == [
        (Kind.REFUSED, asked[0]),
        (Kind.LONGER, asked[1]),
    ]


def test_what_touches_is_one_contact_however_either_side_cuts_it() -> None:
    asked = [booking("Lantern", *each) for each in ((0, 10), (10, 20), (20, 25))]
    (told,) = compare(asked, schedule(booking("Lantern", 0, 25)))
    assert told.kind is Kind.AS_ASKED
    pieces = booking("Lantern", 0, 12), booking("Lantern", 12, 23)
    (told,) = compare(asked, schedule(*pieces))
    assert (told.kind, told.text) == (Kind.SHORTER, "ends 2 min earlier")


def test_time_that_is_given_lies_within_what_is_allocated_and_what_the_station_allows() -> None:
    grant = Grant("Lantern 3", "A", DAWN + 100, DAWN + 900)
    made = Allocation(DAWN, (DAWN, AFTER), ("A", "B"), DAWN, (grant,))
    only = Schedule("A", DAWN, AFTER, (Booking("Lantern 3", "A", DAWN + 300, DAWN + 2000),))
    confirmed = {"A": Confirmed().with_schedule(only)}
    assert time_given("Lantern 3", ["A", "B"], None, {}) is None
    given = time_given("Lantern 3", ["A", "B"], made, confirmed)
    assert given is not None
    assert given["A"].clip(DAWN, AFTER) == IntervalSet([DAWN + 300], [DAWN + 900])
    assert not given["B"].clip(DAWN, AFTER)
    unshared = time_given("Lantern 3", ["A", "B"], None, confirmed)
    assert unshared is not None
    assert unshared["A"].clip(DAWN, AFTER) == IntervalSet([DAWN + 300], [DAWN + 2000])
    assert unshared["B"] == IntervalSet.everything()


def test_a_later_schedule_goes_before_an_earlier_one_within_its_span() -> None:
    first = Confirmed().with_schedule(schedule(ONE, booking("Lantern", 500, 510)))
    later = Schedule("North", DAWN, DAWN + 100 * MINUTE_S, (booking("Lantern", 40, 50),))
    both = first.with_schedule(later)
    allowed = both.allows("Lantern").clip(DAWN, DAWN + 1000 * MINUTE_S)
    wanted = IntervalSet.of(
        [(each.start, each.end) for each in (booking("", 40, 50), booking("", 500, 510))]
    )
    assert allowed == wanted
    assert not both.allows("Heron").meets(DAWN, DAWN + 1000 * MINUTE_S)
    assert both.allows("Heron").meets(DAWN - 10, DAWN)


def test_a_schedule_comes_back_from_its_record_to_the_millisecond() -> None:
    made = schedule(ONE, booking("Heron", 30, 40.0001))
    known = learn_schedule({}, record(schedule_body(made, "north.ics")))
    direct = Confirmed().with_schedule(made)
    for target in ("Lantern", "Heron"):
        assert known["North"].booked[target].starts == pytest.approx(
            direct.booked[target].starts, abs=1e-3
        )
        assert known["North"].booked[target].ends == pytest.approx(
            direct.booked[target].ends, abs=1e-3
        )


def same_grants(one: Allocation, other: Allocation) -> bool:
    def forms(made: Allocation) -> list[tuple[object, ...]]:
        return [
            (
                each.target,
                each.station,
                round(each.start, 3),
                round(each.end, 3),
                each.requests,
                each.priority,
                each.urgent,
                each.takes_over_from,
            )
            for each in made.grants
        ]

    return forms(one) == forms(other)


@pytest.mark.parametrize("seed", range(30))
def test_grants_come_back_from_their_records_whatever_changed(seed: int) -> None:
    case = Case(seed)
    known: Allocation | None = None
    for requests in (case.requests[:-1], case.requests, case.requests[1:]):
        made = allocate(requests, case.coverage, case.stations, BEFORE, known, until=AFTER)
        body = allocation_body(made, known)
        if body is not None:
            known = learn_allocation(known, record(body))
        assert known is not None
        assert same_grants(known, made)
        assert allocation_body(made, known) is None


def test_a_record_has_only_what_changed() -> None:
    stays = Grant("Lantern", "North", DAWN, DAWN + 600.0, ("contacts",))
    goes = replace(stays, start=DAWN + 3600.0, end=DAWN + 4000.0)
    comes = replace(goes, target="Heron", how=How.NEW)
    before = Allocation(DAWN, (DAWN, AFTER), ("North",), DAWN, (stays, goes))
    after = replace(before, grants=(replace(stays, how=How.KEPT), comes))
    body = allocation_body(after, before)
    assert body is not None
    assert [form["target"] for form in body["granted"]] == ["Heron"]
    assert [form["from"] for form in body["withdrawn"]] == ["2026-11-25T01:00:00.000Z"]


def test_grants_become_bookings() -> None:
    grant = Grant("Lantern", "North", DAWN, DAWN + 600.0)
    assert bookings_of([grant]) == (booking("Lantern", 0, 10),)


@pytest.mark.parametrize("body", [{}, {"granted": 3}, {"from": "noon"}, {"withdrawn": [1]}])
def test_a_record_that_cannot_be_understood_changes_nothing(body: dict[str, Any]) -> None:
    known = Allocation(DAWN, (DAWN, AFTER), ("North",), DAWN)
    assert learn_allocation(known, record(body)) is known
    assert learn_schedule({}, record(body)) == {}
