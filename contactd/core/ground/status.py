"""What people state of a station: that it is out, degraded or back, from when until when.

What is stated stands beside the outages of files and calendars: those it neither shortens nor
removes. Of two statements about one moment the later record counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Final

from contactd.core.ground.station import Station, StationStatus
from contactd.core.instants import FOREVER, from_text
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.record import Record

OUT, DEGRADED, BACK = "out", "degraded", "back"
STATUSES: Final = (OUT, DEGRADED, BACK)
MOST_STATUSES: Final = 500
"""So many statements of a station are kept in force; of more, the oldest fall away."""

Stated = tuple[StationStatus, ...]


def learn_status(known: Stated, record: Record) -> Stated:
    """What is stated of a station after one more record, in order of time, none overlapping.

    A record that cannot be read changes nothing.
    """
    body = record.body
    try:
        until = body.get("until")
        stated = StationStatus(
            status=str(body["status"]),
            start=from_text(str(body["from"])),
            end=FOREVER if until is None else from_text(str(until)),
            why=str(body.get("why", "")),
            author=record.author,
            record=record.number,
        )
    except (KeyError, ValueError):
        return known
    if stated.status not in STATUSES or stated.start >= stated.end:
        return known
    kept = [part for each in known for part in _around(each, stated)]
    if stated.status != BACK:
        kept.append(stated)
    return tuple(sorted(kept, key=lambda each: each.start))[-MOST_STATUSES:]


def _around(each: StationStatus, hole: StationStatus) -> Iterable[StationStatus]:
    """What is left of one statement before and after a later one."""
    if each.start < hole.start:
        yield replace(each, end=min(each.end, hole.start))
    if each.end > hole.end:
        yield replace(each, start=max(each.start, hole.end))


def with_status(station: Station, stated: Stated) -> Station:
    """The station with what is stated of it, whatever was stated of it before."""
    if stated == station.stated:
        return station
    plain = station.configured or station
    if not stated:
        return plain
    out = [each for each in stated if each.status == OUT]
    return replace(
        plain,
        outages=plain.outages | _spans(out),
        outage_reasons=(
            *plain.outage_reasons,
            *((each.start, each.end, reason(each)) for each in out),
        ),
        degraded=_spans(each for each in stated if each.status == DEGRADED),
        stated=stated,
        configured=plain,
    )


def with_statuses(
    stations: Mapping[str, Station], stated: Mapping[str, Stated]
) -> Mapping[str, Station]:
    """All stations with what is stated of them; the same mapping where nothing is."""
    if not stated:
        return stations
    return {name: with_status(each, stated.get(name, ())) for name, each in stations.items()}


def reason(stated: StationStatus) -> str:
    """Why it is so stated, and by whom."""
    by = f"recorded by {stated.author}"
    return f"{stated.why} ({by})" if stated.why else by


def degraded_in(start: float, end: float, station: Station) -> StationStatus | None:
    """The first statement that a station is degraded within a span (instants, s), or None."""
    for each in station.stated:
        if each.status == DEGRADED and each.start < end and start < each.end:
            return each
    return None


def _spans(stated: Iterable[StationStatus]) -> IntervalSet:
    spans = [(each.start, each.end) for each in stated]
    return IntervalSet.of(spans) if spans else EMPTY
