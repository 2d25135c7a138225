"""Contacts that several stations' time makes together: one after the other, or at once."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.cuts import Starts
from contactd.core.allocation.milliseconds import ROUGHLY_S, UNIT_S, after
from contactd.core.allocation.offers import Collected, serving, sets_of
from contactd.core.allocation.opportunities import Opportunities
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Grant

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


def add_chains(
    made: Collected,
    opportunities: Opportunities,
    target: IndexArray,
    starts: Starts,
    previous: Sequence[Grant] = (),
) -> bool:
    """Add the contacts that need several stations, for each request that allows them.

    Args:
        previous: grants that were made before; what is still possible of them is offered again.

    Returns:
        Whether all of them were looked at.
    """
    complete = True
    for number, request in enumerate(opportunities.requests):
        if not request.in_parts:
            continue
        mine = np.flatnonzero(opportunities.request == number)
        mine = mine[np.argsort(opportunities.usable_from[mine], kind="stable")]
        found: Iterator[tuple[Link, ...]]
        if request.stations_at_once > 1:
            found = _at_once(opportunities, mine, request.stations_at_once, starts)
        else:
            assert request.handover_overlap_s is not None
            found = _handed_over(opportunities, mine, request.handover_overlap_s, starts)
        others = np.flatnonzero(
            (target[opportunities.request] == target[number])
            & (opportunities.request != number)
            & np.array([each.stations_at_once == 1 for each in opportunities.requests])[
                opportunities.request
            ]
        )
        seen: set[tuple[Link, ...]] = set()
        before = _as_before(opportunities, mine, request, previous)
        for links in itertools.chain(before, itertools.islice(found, MOST_CHAINS)):
            if links not in seen:
                seen.add(links)
                _add(made, opportunities, links, number, int(target[number]), others)
        complete &= next(found, None) is None
    return complete


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


def _as_before(
    opportunities: Opportunities, mine: IndexArray, request: Request, previous: Sequence[Grant]
) -> Iterator[tuple[Link, ...]]:
    """What was granted of several stations before, as far as each has the target in view now."""
    had = sorted(
        (g for g in previous if g.target == request.target and request.name in g.requests),
        key=lambda grant: (grant.start, grant.takes_over_from != "", grant.station),
    )
    run: list[Grant] = []
    for grant in [*had, None]:
        if grant is not None and run and grant.start < run[-1].end:
            run.append(grant)
            continue
        links = [_link(opportunities, mine, each) for each in run]
        whole = [each for each in links if each is not None]
        if len(whole) == len(links) > 1 and _serves(opportunities, request, whole):
            yield tuple(whole)
        run = [] if grant is None else [grant]


def _link(opportunities: Opportunities, mine: IndexArray, grant: Grant) -> Link | None:
    for one in mine.tolist():
        start = max(grant.start, float(opportunities.first[one]))
        end = min(grant.end, float(opportunities.last[one]))
        if opportunities.stations[opportunities.station[one]] == grant.station and end > start:
            return Link(one, start, end)
    return None


def _serves(opportunities: Opportunities, request: Request, links: Sequence[Link]) -> bool:
    """Whether the links have all that the request wants."""
    begins = [max(each.start, float(opportunities.usable_from[each.opportunity])) for each in links]
    ends = [min(each.end, float(opportunities.usable_to[each.opportunity])) for each in links]
    if request.stations_at_once > 1:
        together = len(links) == request.stations_at_once
        return together and min(ends) - max(begins) >= request.least_duration_s - UNIT_S
    overlap_s = request.handover_overlap_s or 0.0
    meets = all(a - b >= overlap_s - UNIT_S for a, b in zip(ends, begins[1:], strict=False))
    return meets and ends[-1] - begins[0] >= request.least_duration_s - UNIT_S


def _at_once(
    opportunities: Opportunities, mine: IndexArray, count: int, starts: Starts
) -> Iterator[tuple[Link, ...]]:
    """So many stations that have the target at the same time, for its least duration."""
    if not len(mine):
        return
    least_s = opportunities.requests[int(opportunities.request[mine[0]])].least_duration_s

    def extended(chosen: list[int], from_place: int) -> Iterator[list[int]]:
        if len(chosen) == count:
            yield chosen
            return
        for place in range(from_place, len(mine)):
            one = int(mine[place])
            stations = {int(opportunities.station[each]) for each in chosen}
            if int(opportunities.station[one]) in stations:
                continue
            opens, closes = _common(opportunities, [*chosen, one])
            if closes - opens >= least_s - ROUGHLY_S:
                yield from extended([*chosen, one], place + 1)

    for chosen in extended([], 0):
        opens, closes = _common(opportunities, chosen)
        every = np.unique(np.concatenate([starts.of(each) for each in chosen]))
        for start in every[every >= opens - UNIT_S].tolist():
            end = _end(max(start, opens), least_s)
            if end <= closes + UNIT_S:
                yield tuple(Link(each, start, end) for each in chosen)


def _common(opportunities: Opportunities, chosen: list[int]) -> tuple[float, float]:
    """From when until when all of them may be used."""
    start = max(float(opportunities.usable_from[each]) for each in chosen)
    return start, min(float(opportunities.usable_to[each]) for each in chosen)


def _end(start: float, seconds: float) -> float:
    return float(after(np.array([start + seconds]))[0])


def _handed_over(
    opportunities: Opportunities, mine: IndexArray, overlap_s: float, starts: Starts
) -> Iterator[tuple[Link, ...]]:
    """Stations one after the other, until the least duration is reached."""
    if not len(mine):
        return
    least_s = opportunities.requests[int(opportunities.request[mine[0]])].least_duration_s
    usable_from, usable_to = opportunities.usable_from, opportunities.usable_to

    def extended(links: tuple[Link, ...], one: int, start: float) -> Iterator[tuple[Link, ...]]:
        # ``one`` has the target from ``start`` on, after what ``links`` have of it.
        first = links[0] if links else Link(one, start, start)
        begun = max(first.start, float(usable_from[first.opportunity]))
        end = _end(begun, least_s)
        if links and end <= usable_to[one] + ROUGHLY_S and end > links[-1].end:
            yield (*links, Link(one, start, end))
        if len(links) == MOST_LINKS - 1:
            return
        for following in mine.tolist():
            if opportunities.station[following] == opportunities.station[one]:
                continue
            if usable_to[following] <= usable_to[one]:
                continue
            for at in starts.of(following).tolist():
                until = _end(max(at, float(usable_from[following])), overlap_s)
                if start < at and until <= min(usable_to[one] + ROUGHLY_S, end):
                    yield from extended((*links, Link(one, start, until)), following, at)

    for one in mine.tolist():
        for start in starts.of(one).tolist():
            yield from extended((), one, start)
