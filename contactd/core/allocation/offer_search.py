"""Finds everything that could be granted, as :class:`~contactd.core.allocation.offers.Offers`.

Offered are contacts as short as they may be, from every moment at which one need begin
(:mod:`~contactd.core.allocation.cuts`); of those that serve the same and lie within each other,
the inner. Beside these, for comfort, each time in view whole. How long each becomes is decided
when it is known who has which (:mod:`~contactd.core.allocation.lengthen`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.chains import add_chains
from contactd.core.allocation.cuts import MOST_STARTS, Rules, Starts, find_starts
from contactd.core.allocation.milliseconds import ROUGHLY_S, after
from contactd.core.allocation.offers import Antennas, Collected, Offers, Served, serving, sets_of
from contactd.core.allocation.opportunities import Opportunities
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Grant

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

MOST_CUT = 3_000
"""Of no more starts than these, contacts are offered in many lengths, for comfort."""
MOST_CUTS = 8
_NONE = np.zeros(0)


@dataclass(frozen=True, slots=True)
class Found:
    """Everything that could be granted.

    Attributes:
        complete: whether no schedule serves more than some of these offers together do.
        urgent_complete: whether that holds of what is urgent.
    """

    offers: Offers
    complete: bool
    urgent_complete: bool


def find_offers(
    opportunities: Opportunities,
    antennas: Antennas,
    previous: Sequence[Grant] = (),
    moments: tuple[float, ...] = (),
    most_starts: int = MOST_STARTS,
) -> Found:
    """Everything that could be granted.

    Args:
        previous: grants that were made before; what is still possible of them is offered again.
        moments: instants (s) before which nothing new may begin.
    """
    requests = opportunities.requests
    targets = tuple(dict.fromkeys(request.target for request in requests))
    of_target = {name: number for number, name in enumerate(targets)}
    target = np.array([of_target[request.target] for request in requests], dtype=np.intp)
    of_station = {name: number for number, name in enumerate(antennas.names)}
    before = np.array(
        [
            (of_station[each.station], of_target[each.target], each.start, each.end)
            for each in previous
            if each.station in of_station and each.target in of_target
        ]
    ).reshape(-1, 4)
    rules = Rules(target, antennas.setup_s + antennas.teardown_s, moments, before[:, [0, 1, 3]])
    starts = find_starts(opportunities, rules, most_starts)
    made = Collected([], [], [])
    at_station = opportunities.station[starts.opportunity]
    of_start = target[opportunities.request[starts.opportunity]]
    for station in range(len(antennas.names)):
        mine = np.flatnonzero((opportunities.station == station) & _single(opportunities))
        gap_s = float(rules.gap_s[station])
        here = at_station == station
        for number in np.unique(target[opportunities.request[mine]]).tolist():
            these = mine[target[opportunities.request[mine]] == number]
            some = here & (of_start == number)
            stood = before[(before[:, 0] == station) & (before[:, 1] == number), 2:]
            stretches = _stretches(opportunities, these, starts, some, gap_s)
            others = starts.at[here & ~some] - gap_s if len(starts.at) <= MOST_CUT else _NONE
            long = _long(opportunities, these, starts, np.unique(others))
            _add(made, station, number, opportunities, these, stretches, stood, long)
    whole = add_chains(made, opportunities, target, starts, previous)
    return Found(made.offers(targets), starts.complete and whole, starts.urgent_complete and whole)


def _single(opportunities: Opportunities) -> BoolArray:
    """Opportunities that one station's time alone can make good use of."""
    requests = opportunities.requests
    alone = np.array([each.stations_at_once == 1 for each in requests], dtype=np.bool_)
    least_s = np.array([each.least_duration_s for each in requests])
    long_enough = (
        opportunities.usable_to - opportunities.usable_from
        >= least_s[opportunities.request] - ROUGHLY_S
    )
    return np.asarray(alone[opportunities.request] & long_enough, dtype=np.bool_)


def _stretches(
    opportunities: Opportunities, these: IndexArray, starts: Starts, some: BoolArray, gap_s: float
) -> FloatArray:
    """Stretches of one target at one station, from each start to where some opportunity has its
    least, ``[k, 2]``; opportunities that lie nearer than ``gap_s`` may be served by one."""
    least_s = np.array([each.least_duration_s for each in opportunities.requests])
    order = these[np.argsort(opportunities.first[these], kind="stable")]
    reach = np.maximum.accumulate(opportunities.last[order])
    opens = np.flatnonzero(opportunities.first[order][1:] >= reach[:-1] + gap_s) + 1
    edge = np.append(-np.inf, opportunities.first[order[opens]])
    at = starts.at[some]
    group_of_start = np.searchsorted(edge, opportunities.first[starts.opportunity[some]], "right")
    group = np.searchsorted(edge, opportunities.first[order], side="right")
    found = []
    size = int(np.bincount(group).max(initial=0))
    first = np.searchsorted(group, group_of_start)
    for step in range(size):
        place = np.minimum(first + step, len(order) - 1)
        one = order[place]
        least = least_s[opportunities.request[one]]
        end = np.maximum(at, opportunities.usable_from[one]) + least
        fits = (first + step < len(order)) & (group[place] == group_of_start)
        fits &= end <= opportunities.usable_to[one] + ROUGHLY_S
        found.append(np.stack([at, after(end)], axis=1)[fits])
    return np.unique(np.concatenate([np.zeros((0, 2)), *found]), axis=0)


def _long(
    opportunities: Opportunities, these: IndexArray, starts: Starts, ends: FloatArray
) -> FloatArray:
    """Each time in view whole, or from where one may begin to where others may, ``[k, 2]``.

    Args:
        ends: instants (s), ascending, before which others need the antenna.
    """
    least_s = np.array([each.least_duration_s for each in opportunities.requests])
    found = [np.stack([opportunities.first[these], opportunities.last[these]], axis=1)]
    for one in these.tolist() if len(ends) else ():
        first, last = opportunities.first[one], opportunities.last[one]
        soonest = opportunities.usable_from[one] + least_s[opportunities.request[one]]
        low, high = np.searchsorted(ends, [soonest, last])
        begins = _some(np.append(first, starts.of(one)[1:]))
        pairs = np.meshgrid(begins, np.append(last, _some(ends[low:high])), indexing="ij")
        found.append(np.stack([each.reshape(-1) for each in pairs], axis=1))
    every = np.concatenate(found)
    return np.unique(every[every[:, 1] > every[:, 0]], axis=0)


def _some(instants: FloatArray) -> FloatArray:
    """Evenly picked, no more than ``MOST_CUTS``."""
    if len(instants) <= MOST_CUTS:
        return instants
    picks = np.linspace(0, len(instants) - 1, MOST_CUTS).round().astype(np.intp)
    return instants[picks]


def _add(
    made: Collected,
    station: int,
    target: int,
    opportunities: Opportunities,
    these: IndexArray,
    stretches: FloatArray,
    stood: FloatArray,
    long: FloatArray,
) -> None:
    """Offers of one target at one station: the stretches, what stood before, and long ones."""
    before = _as_before(opportunities, these, stood)
    both = np.concatenate([stretches, before, long])
    new = np.arange(len(both)) < len(stretches)
    is_whole = np.arange(len(both)) >= len(stretches) + len(before)
    served = serving(both[:, 0], both[:, 1], opportunities, these)
    most_s = np.array([each.most_duration_s for each in opportunities.requests])[served.request]
    for chosen, which in _sets(served, opportunities.requests):
        rows = np.flatnonzero(chosen)
        longest_s = max(float(most_s[which].max()), 0.0)
        length_s = both[rows, 1] - both[rows, 0]
        least_s = max(opportunities.requests[n].least_duration_s for n in served.request[which])
        rows = rows[~new[rows] | (length_s <= max(longest_s, least_s) + 1.0)]
        keep = rows[_innermost(both[rows], served.opportunity[rows][:, which]) | ~new[rows]]
        made.add(
            np.full(len(keep), target, dtype=np.intp),
            np.full(len(keep), station, dtype=np.intp),
            both[keep, 0],
            both[keep, 1],
            served.opportunity[keep][:, which],
            served.length_s[keep][:, which],
            is_whole[keep],
        )


def _as_before(opportunities: Opportunities, these: IndexArray, stood: FloatArray) -> FloatArray:
    """What was granted before, as far as the target is in view now, ``[k, 2]``."""
    found = []
    for start, end in stood.tolist():
        meets = (opportunities.first[these] < end) & (opportunities.last[these] > start)
        if meets.any():
            opens, closes = opportunities.first[these[meets]], opportunities.last[these[meets]]
            found.append((max(start, opens.min()), min(end, closes.max())))
            found += [(max(start, a), min(end, b)) for a, b in zip(opens, closes, strict=True)]
    return np.unique(np.array(found).reshape(-1, 2), axis=0)


def _innermost(stretches: FloatArray, serves: IndexArray) -> BoolArray:
    """Which stretches hold no other that serves the same opportunities."""
    if not len(stretches):
        return np.zeros(0, dtype=np.bool_)
    group = np.unique(serves, axis=0, return_inverse=True)[1].reshape(-1)
    order = np.lexsort((stretches[:, 1], -stretches[:, 0], group))
    # From the latest start on: what ends no sooner than a later one holds it.
    span_s = float(np.ptp(stretches)) + 1.0
    ends = stretches[order, 1] - group[order] * span_s
    soonest = np.minimum.accumulate(ends)
    fresh = np.append(True, ends[1:] < soonest[:-1])
    found = np.zeros(len(stretches), dtype=np.bool_)
    found[order[fresh]] = True
    return found


def _sets(served: Served, requests: tuple[Request, ...]) -> list[tuple[BoolArray, list[int]]]:
    """Each set of requests, as columns, with the stretches that could serve all of it."""
    able = served.opportunity >= 0
    patterns, which = np.unique(able, axis=0, return_inverse=True)
    which = which.reshape(-1)
    urgent = {n for n, number in enumerate(served.request) if requests[number].urgent}
    found: dict[tuple[int, ...], BoolArray] = {}
    for number, pattern in enumerate(patterns):
        for columns in sets_of(np.flatnonzero(pattern).tolist(), urgent):
            rows = which == number
            found[columns] = found[columns] | rows if columns in found else rows
    return [(rows, list(columns)) for columns, rows in sorted(found.items())]
