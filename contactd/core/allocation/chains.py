"""Contacts that several stations' time makes together: one after the other, or at once."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.offers import Collected, serving, sets_of
from contactd.core.allocation.opportunities import Opportunities
from contactd.core.allocation.sessions import ROUGHLY_S

IndexArray = NDArray[np.intp]

MOST_LINKS = 4
"""So many stations one contact is handed through at the most."""
MOST_CHAINS = 2_000
"""So many such contacts are looked at for one request; the earliest are."""


@dataclass(frozen=True, slots=True)
class Link:
    """One station's part of a contact: its opportunity, and from when until when (s)."""

    opportunity: int
    start: float
    end: float


def add_chains(made: Collected, opportunities: Opportunities, target: IndexArray) -> None:
    """Add the contacts that need several stations, for each request that allows them."""
    for number, request in enumerate(opportunities.requests):
        if not request.in_parts:
            continue
        mine = np.flatnonzero(opportunities.request == number)
        mine = mine[np.argsort(opportunities.usable_from[mine], kind="stable")]
        found: Iterator[tuple[Link, ...]]
        if request.stations_at_once > 1:
            found = _at_once(opportunities, mine, request.stations_at_once)
        else:
            assert request.handover_overlap_s is not None
            found = _handed_over(opportunities, mine, request.handover_overlap_s)
        others = np.flatnonzero(
            (target[opportunities.request] == target[number])
            & (opportunities.request != number)
            & np.array([each.stations_at_once == 1 for each in opportunities.requests])[
                opportunities.request
            ]
        )
        seen: set[tuple[Link, ...]] = set()
        for links in itertools.islice(found, MOST_CHAINS):
            if links not in seen:
                seen.add(links)
                _add(made, opportunities, links, number, int(target[number]), others)


def _add(
    made: Collected,
    opportunities: Opportunities,
    links: tuple[Link, ...],
    request: int,
    target: int,
    others: IndexArray,
) -> None:
    """One contact, alone and with each set of other requests that it would serve as well."""
    pieces = [
        (int(opportunities.station[link.opportunity]), link.start, link.end) for link in links
    ]
    at_once = opportunities.requests[request].stations_at_once > 1
    begins = max(opportunities.usable_from[links[0].opportunity], links[0].start)
    ends = min(opportunities.usable_to[links[-1].opportunity], links[-1].end)
    length_s = float(links[0].end - links[0].start if at_once else ends - begins)
    besides: dict[int, tuple[int, float]] = {}
    for station, start, end in pieces:
        here = others[opportunities.station[others] == station]
        served = serving(np.array([start]), np.array([end]), opportunities, here)
        for column, other in enumerate(served.request.tolist()):
            opportunity, given_s = served.opportunity[0, column], served.length_s[0, column]
            if opportunity >= 0 and given_s > besides.get(other, (0, 0.0))[1]:
                besides[other] = int(opportunity), float(given_s)
    urgent = {each for each in besides if opportunities.requests[each].urgent}
    for extra in [(), *sets_of(sorted(besides), urgent)]:
        serves = [(links[0].opportunity, length_s), *(besides[each] for each in extra)]
        made.add_one(target, pieces, serves)


def _at_once(
    opportunities: Opportunities, mine: IndexArray, count: int
) -> Iterator[tuple[Link, ...]]:
    """So many stations that have the target at the same time, for as long as they all do."""
    least_s = (
        opportunities.requests[int(opportunities.request[mine[0]])].least_duration_s
        if len(mine)
        else 0.0
    )

    def extended(chosen: list[int], after: int) -> Iterator[list[int]]:
        if len(chosen) == count:
            yield chosen
            return
        for place in range(after, len(mine)):
            one = int(mine[place])
            stations = {int(opportunities.station[each]) for each in chosen}
            if int(opportunities.station[one]) in stations:
                continue
            if _common_s(opportunities, [*chosen, one]) >= least_s - ROUGHLY_S:
                yield from extended([*chosen, one], place + 1)

    for chosen in extended([], 0):
        start = max(float(opportunities.usable_from[each]) for each in chosen)
        end = min(float(opportunities.usable_to[each]) for each in chosen)
        yield tuple(Link(each, start, end) for each in chosen)


def _common_s(opportunities: Opportunities, chosen: Sequence[int]) -> float:
    start = max(float(opportunities.usable_from[each]) for each in chosen)
    return min(float(opportunities.usable_to[each]) for each in chosen) - start


def _handed_over(
    opportunities: Opportunities, mine: IndexArray, overlap_s: float
) -> Iterator[tuple[Link, ...]]:
    """Stations one after the other, just so many that the least duration is reached."""
    if not len(mine):
        return
    least_s = opportunities.requests[int(opportunities.request[mine[0]])].least_duration_s
    usable_from, usable_to = opportunities.usable_from, opportunities.usable_to

    def extended(chain: list[int]) -> Iterator[list[int]]:
        first, last = chain[0], chain[-1]
        if usable_to[last] - usable_from[first] >= least_s - ROUGHLY_S:
            if len(chain) > 1:
                yield chain
            return
        if len(chain) == MOST_LINKS:
            return
        for one in mine.tolist():
            if usable_from[one] > usable_to[last] - overlap_s + ROUGHLY_S:
                return
            later = usable_from[one] > usable_from[last] and usable_to[one] > usable_to[last]
            if later and opportunities.station[one] != opportunities.station[last]:
                overlap = usable_to[last] - max(usable_from[one], usable_from[last])
                if overlap >= overlap_s - ROUGHLY_S:
                    yield from extended([*chain, one])

    for start in mine.tolist():
        for chain in extended([start]):
            yield from _ways(opportunities, chain, overlap_s, least_s)


def _ways(
    opportunities: Opportunities, chain: list[int], overlap_s: float, least_s: float
) -> Iterator[tuple[Link, ...]]:
    """A chain's contact as long as it can be, or just the least; handed over early or late."""
    usable_from, usable_to = opportunities.usable_from, opportunities.usable_to
    first, last = chain[0], chain[-1]
    bounds = [
        (float(opportunities.first[first]), float(opportunities.last[last])),
        (float(opportunities.first[first]), float(usable_from[first] + least_s)),
        (float(usable_to[last] - least_s), float(opportunities.last[last])),
    ]
    for opens, closes in bounds:
        for early in itertools.product((True, False), repeat=len(chain) - 1):
            links: list[Link] = []
            start = opens
            for place, (one, following) in enumerate(itertools.pairwise(chain)):
                # The next station takes over as early as it can, or as late.
                if early[place]:
                    begins = max(float(usable_from[following]), start)
                else:
                    begins = min(float(usable_to[one]), closes) - overlap_s
                links.append(Link(one, start, begins + overlap_s))
                start = begins
            links.append(Link(last, start, closes))
            if _holds(opportunities, links, overlap_s):
                yield tuple(links)


def _holds(opportunities: Opportunities, links: Sequence[Link], overlap_s: float) -> bool:
    """Whether each part lies in its opportunity and reaches into the next."""
    inside = all(
        opportunities.first[link.opportunity] - ROUGHLY_S <= link.start
        and link.end <= opportunities.last[link.opportunity] + ROUGHLY_S
        and link.end > link.start
        for link in links
    )
    return inside and all(
        one.end - other.start >= overlap_s - ROUGHLY_S for one, other in itertools.pairwise(links)
    )
