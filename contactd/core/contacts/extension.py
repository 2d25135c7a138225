"""Predictions that go on: a longer horizon for the price of what is new, and parts exchanged.

Every contact is exact wherever the span was cut, so that two spans laid end to end give the
contacts of the whole: a contact cut at the seam goes on in the next part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.prediction import predict
from contactd.core.contacts.table import ContactTable, joined
from contactd.core.errors import PropagationError
from contactd.core.ground.station import Station
from contactd.core.orbit.track import Track

Rows = NDArray[np.intp]


def extend(
    table: ContactTable, tracks: Sequence[Track], stations: Sequence[Station], end: float
) -> ContactTable:
    """The table's contacts and those from its end until ``end`` (instant, s).

    It costs what ``[table.end, end)`` costs.

    Args:
        table: predicted for the same tracks and stations.
    """
    if end <= table.end:
        return table
    return appended(table, predict(tracks, stations, table.end, end))


def appended(first: ContactTable, then: ContactTable) -> ContactTable:
    """One table of two whose spans meet, with contacts cut at the seam made whole.

    Raises:
        ValueError: if the second span does not begin where the first ends.
    """
    if then.start != first.end:
        raise ValueError(f"a span from {then.start} does not go on from one until {first.end}")
    if first.end <= first.start:
        return then
    open_rows = np.flatnonzero(first.cut_at_end & (first.los == first.end))
    going_on = np.flatnonzero(then.cut_at_start & (then.aos == then.start))
    later = {_pair(then, row): row for row in going_on.tolist()}
    mine: list[int] = []
    theirs: list[int] = []
    for row in open_rows.tolist():
        match = later.pop(_pair(first, row), None)
        if match is not None:
            mine.append(row)
            theirs.append(match)
    rest = np.ones(len(then), dtype=np.bool_)
    rest[theirs] = False
    # What is cut at the seam and has no other half begins or ends there by itself.
    begins = then.cut_at_start.copy()
    begins[list(later.values())] = False
    whole = joined(
        [
            _gone_on(first, open_rows, np.array(mine, np.intp), then, np.array(theirs, np.intp)),
            replace(then, cut_at_start=begins).rows(rest),
        ],
        first.start,
        then.end,
    )
    return replace(whole, problems=_problems(first.problems, then.problems))


def since(table: ContactTable, start: float) -> ContactTable:
    """The contacts that have not ended before ``start`` (instant, s), left whole."""
    return replace(table.rows(table.los > start), start=max(start, table.start))


def exchanged(table: ContactTable, fresh: ContactTable) -> ContactTable:
    """The table with all contacts of ``fresh``'s targets taken from ``fresh``.

    For one target with new elements: nothing else needs to be predicted again.
    """
    named = set(fresh.targets)
    other = np.array([name not in named for name in table.targets], dtype=np.bool_)
    kept = table.rows(other[table.target]) if len(table) else table
    problems = tuple(each for each in table.problems if each.target not in named)
    whole = joined(
        [replace(kept, problems=()), replace(fresh, problems=())], table.start, table.end
    )
    return replace(whole, problems=(*problems, *fresh.problems))


def _pair(table: ContactTable, row: int) -> tuple[str, str]:
    return table.targets[table.target[row]], table.stations[table.station[row]]


def _gone_on(
    first: ContactTable, open_rows: Rows, mine: Rows, then: ContactTable, theirs: Rows
) -> ContactTable:
    """The first table with its open contacts closed by their other halves."""
    columns = {
        name: getattr(first, name).copy()
        for name in (
            *("los", "los_azimuth_deg", "cut_at_end"),
            *("tca", "tca_azimuth_deg", "max_elevation_deg", "tca_range_km"),
        )
    }
    columns["cut_at_end"][open_rows] = False
    for name in ("los", "los_azimuth_deg", "cut_at_end"):
        columns[name][mine] = getattr(then, name)[theirs]
    higher = then.max_elevation_deg[theirs] > first.max_elevation_deg[mine]
    for name in ("tca", "tca_azimuth_deg", "max_elevation_deg", "tca_range_km"):
        columns[name][mine[higher]] = getattr(then, name)[theirs[higher]]
    return replace(first, **columns)


def _problems(
    first: tuple[PropagationError, ...], then: tuple[PropagationError, ...]
) -> tuple[PropagationError, ...]:
    """Each target's earliest problem of a kind."""
    known = {(each.target, each.reason) for each in first}
    return (*first, *(each for each in then if (each.target, each.reason) not in known))
