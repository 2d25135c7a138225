"""Finds everything that could be granted, as :class:`~contactd.core.allocation.offers.Offers`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.chains import add_chains
from contactd.core.allocation.offers import Antennas, Collected, Offers, Served, serving, sets_of
from contactd.core.allocation.opportunities import Opportunities
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Grant
from contactd.core.allocation.sessions import (
    MOST_CUTS,
    MOST_SESSIONS,
    ROUGHLY_S,
    Hosts,
    Sessions,
    find_sessions,
)
from contactd.core.allocation.stretches import hulls_of

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]


def find_offers(
    opportunities: Opportunities, antennas: Antennas, previous: Sequence[Grant] = ()
) -> Offers:
    """Everything that could be granted.

    Args:
        previous: grants that were made before; what is still possible of them is offered again.
    """
    requests = opportunities.requests
    targets = tuple(dict.fromkeys(request.target for request in requests))
    of_target = {name: number for number, name in enumerate(targets)}
    target = np.array([of_target[request.target] for request in requests], dtype=np.intp)
    made = Collected([], [], [])
    cuts = MOST_CUTS
    while True:
        found = [
            _sessions_at(station, opportunities, target, antennas, previous, of_target, cuts)
            for station in range(len(antennas.names))
        ]
        if cuts == 0 or sum(len(sessions.host) for _, sessions in found) <= MOST_SESSIONS:
            break
        cuts //= 2
    for station, (hosts, sessions) in enumerate(found):
        _add_sessions(made, station, opportunities, target, hosts, sessions)
    add_chains(made, opportunities, target)
    return made.offers(targets)


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


def _sessions_at(
    station: int,
    opportunities: Opportunities,
    target: IndexArray,
    antennas: Antennas,
    previous: Sequence[Grant],
    of_target: Mapping[str, int],
    cuts: int,
) -> tuple[Hosts, Sessions]:
    mine = np.flatnonzero((opportunities.station == station) & _single(opportunities))
    request = opportunities.request[mine]
    least_s = np.array([each.least_duration_s for each in opportunities.requests])
    columns = [
        target[request].astype(np.float64),
        opportunities.first[mine],
        opportunities.last[mine],
        opportunities.usable_from[mine],
        opportunities.usable_to[mine],
        least_s[request],
    ]
    gap_s = float(antennas.setup_s[station] + antennas.teardown_s[station])
    hulls = hulls_of(opportunities, mine, target, gap_s)
    if len(hulls):
        columns = [np.concatenate([a, b]) for a, b in zip(columns, hulls.T, strict=True)]
    order = np.lexsort((columns[2], columns[1]))
    who, first, last, usable_from, usable_to, least = (column[order] for column in columns)
    hosts = Hosts(who.astype(np.intp), first, last, usable_from, usable_to, least)
    taken = np.array(
        [
            (of_target[each.target], each.start, each.end)
            for each in previous
            if each.station == antennas.names[station] and each.target in of_target
        ]
    ).reshape(-1, 3)
    return hosts, find_sessions(hosts, gap_s, taken, cuts)


def _add_sessions(
    made: Collected,
    station: int,
    opportunities: Opportunities,
    target: IndexArray,
    hosts: Hosts,
    sessions: Sessions,
) -> None:
    mine = np.flatnonzero((opportunities.station == station) & _single(opportunities))
    who = hosts.target[sessions.host]
    order = np.argsort(who, kind="stable")
    edges = np.searchsorted(who[order], np.arange(int(target.max(initial=-1)) + 2))
    of_mine = target[opportunities.request[mine]]
    for number in range(len(edges) - 1):
        rows = order[edges[number] : edges[number + 1]]
        if not len(rows):
            continue
        stretch = np.unique(np.stack([sessions.start[rows], sessions.end[rows]], axis=1), axis=0)
        served = serving(stretch[:, 0], stretch[:, 1], opportunities, mine[of_mine == number])
        for chosen, which in _sets(served, opportunities.requests):
            count = int(chosen.sum())
            made.add(
                np.full(count, number, dtype=np.intp),
                np.full(count, station, dtype=np.intp),
                stretch[chosen, 0],
                stretch[chosen, 1],
                served.opportunity[chosen][:, which],
                served.length_s[chosen][:, which],
            )


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
