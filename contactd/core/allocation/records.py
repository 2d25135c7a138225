"""Allocations in the ledger: what changed, written down, and put together again.

One record has what was granted anew or otherwise, and what was withdrawn, since the one before;
the first has everything. Grants that are over for more than a month are forgotten.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from contactd.core.allocation.result import Allocation, EarlierStop, Grant, How, Shortfall
from contactd.core.allocation.schedule import Booking, Confirmed, Schedule
from contactd.core.instants import DAY_S, from_text, to_text
from contactd.core.record import Body, Record

SUBJECT = "station time"
FORGOTTEN_AFTER_S = 31 * DAY_S
MOST_SHORTFALLS = 500
"""Of more shortfalls than these, a record has the first."""

Key = tuple[str, str, str, str]
_NOT_UNDERSTOOD = (KeyError, TypeError, ValueError, AttributeError)


def allocation_body(made: Allocation, before: Allocation | None) -> dict[str, Any] | None:
    """The body of the record of an allocation; None if nobody's time has changed.

    Args:
        before: the allocation that the ledger knows.
    """
    known = {} if before is None else {_key(grant): _form(grant) for grant in before.grants}
    wanted = {_key(grant): _form(grant) for grant in made.grants}
    granted = [
        form for key, form in wanted.items() if key not in known or _differ(form, known[key])
    ]
    oldest = made.at - FORGOTTEN_AFTER_S
    withdrawn = [
        form for key, form in known.items() if key not in wanted and from_text(form["to"]) > oldest
    ]
    same_stations = before is not None and before.stations == made.stations
    same_stops = _stops(made) == (set() if before is None else _stops(before))
    if not granted and not withdrawn and same_stations and same_stops:
        return None
    return {
        "since": None if math.isinf(made.since) else to_text(made.since),
        "from": to_text(made.span[0]),
        "to": to_text(made.span[1]),
        "frozen_until": None if made.frozen_until is None else to_text(made.frozen_until),
        "stations": list(made.stations),
        "granted": granted,
        "withdrawn": [
            {name: form[name] for name in ("target", "station", "from", "to")} for form in withdrawn
        ],
        "short": [_short(each) for each in made.shortfalls[:MOST_SHORTFALLS]],
        "earlier_stops": [_stop(each) for each in made.earlier_stops],
        "proved_best": made.is_best,
    }


def _stops(made: Allocation) -> set[tuple[str, str, str]]:
    return {(each.target, each.sequence, each.step) for each in made.earlier_stops}


def learn_allocation(known: Allocation | None, record: Record) -> Allocation | None:
    """The grants in force after a record; those of before if it cannot be understood."""
    try:
        return _learned(known, record)
    except _NOT_UNDERSTOOD:
        return known


def _learned(known: Allocation | None, record: Record) -> Allocation:
    body = record.body
    grants = {} if known is None else {_key(grant): grant for grant in known.grants}
    for form in body["withdrawn"]:
        grants.pop((form["target"], form["station"], form["from"], form["to"]), None)
    for form in body["granted"]:
        grant = _grant(form)
        grants[_key(grant)] = grant
    oldest = record.at - FORGOTTEN_AFTER_S
    kept = sorted(
        (grant for grant in grants.values() if grant.end > oldest),
        key=lambda grant: (grant.start, grant.station, grant.target),
    )
    since, frozen = body["since"], body["frozen_until"]
    return Allocation(
        at=record.at,
        span=(from_text(body["from"]), from_text(body["to"])),
        stations=tuple(body["stations"]),
        since=-math.inf if since is None else from_text(since),
        grants=tuple(kept),
        frozen_until=None if frozen is None else from_text(frozen),
        earlier_stops=tuple(_earlier_stop(form) for form in body.get("earlier_stops", ())),
    )


def schedule_body(schedule: Schedule, source: str) -> dict[str, Any]:
    """The body of the record of a station's schedule.

    Args:
        source: where it came from, for people.
    """
    return {
        "station": schedule.station,
        "from": to_text(schedule.start),
        "to": to_text(schedule.end),
        "source": source,
        "bookings": [
            {"target": each.target, "from": to_text(each.start), "to": to_text(each.end)}
            for each in schedule.bookings
        ],
    }


def learn_schedule(known: Mapping[str, Confirmed], record: Record) -> Mapping[str, Confirmed]:
    """What stations have confirmed after a record, by station; as before if it cannot be
    understood."""
    try:
        schedule = schedule_of(record.body)
    except _NOT_UNDERSTOOD:
        return known
    station = schedule.station
    return {**known, station: known.get(station, Confirmed()).with_schedule(schedule)}


def schedule_of(body: Body) -> Schedule:
    """The schedule that a record has.

    Raises:
        KeyError, TypeError, ValueError: if the body is not one of a schedule.
    """
    station = str(body["station"])
    return Schedule(
        station,
        from_text(body["from"]),
        from_text(body["to"]),
        tuple(
            Booking(each["target"], station, from_text(each["from"]), from_text(each["to"]))
            for each in body["bookings"]
        ),
    )


def _key(grant: Grant) -> Key:
    return grant.target, grant.station, to_text(grant.start), to_text(grant.end)


def _differ(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two forms of the same antenna time say different things; how it came does not."""
    return {**one, "how": ""} != {**other, "how": ""}


def _form(grant: Grant) -> dict[str, Any]:
    return {
        "target": grant.target,
        "station": grant.station,
        "from": to_text(grant.start),
        "to": to_text(grant.end),
        "requests": list(grant.requests),
        "priority": grant.priority,
        "urgent": grant.urgent,
        "how": str(grant.how),
        "takes_over_from": grant.takes_over_from,
    }


def _grant(form: Mapping[str, Any]) -> Grant:
    return replace(
        Grant(form["target"], form["station"], from_text(form["from"]), from_text(form["to"])),
        requests=tuple(form.get("requests", ())),
        priority=int(form.get("priority", 1)),
        urgent=bool(form.get("urgent", False)),
        how=How(form.get("how", How.NEW)),
        takes_over_from=str(form.get("takes_over_from", "")),
    )


def _stop(each: EarlierStop) -> dict[str, Any]:
    return {
        "target": each.target,
        "sequence": each.sequence,
        "step": each.step,
        "without": to_text(each.without, 6),
        "without_station": each.without_station,
        "stop_by": None if each.stop_by is None else to_text(each.stop_by, 6),
        "stop_station": each.stop_station,
        "hazard": each.hazard,
        "people_near": each.people_near,
        "lost_to": [_form(grant) for grant in each.to],
    }


def _earlier_stop(form: Mapping[str, Any]) -> EarlierStop:
    stop_by = form["stop_by"]
    return EarlierStop(
        target=form["target"],
        sequence=form["sequence"],
        step=form["step"],
        without=from_text(form["without"]),
        without_station=form["without_station"],
        stop_by=None if stop_by is None else from_text(stop_by),
        stop_station=form["stop_station"],
        hazard=bool(form["hazard"]),
        people_near=bool(form["people_near"]),
        to=tuple(_grant(each) for each in form["lost_to"]),
    )


def _short(each: Shortfall) -> dict[str, Any]:
    return {
        "target": each.target,
        "request": each.request,
        "from": to_text(each.start),
        "to": to_text(each.end),
        "wanted": each.wanted,
        "granted": each.granted,
        "because": each.because,
    }
