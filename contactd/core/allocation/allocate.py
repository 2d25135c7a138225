"""Station time among competing targets: who has which station when, and why not the others."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.cpsat import by_cpsat
from contactd.core.allocation.explain import shortfalls
from contactd.core.allocation.formulation import (
    SAME_S,
    Promises,
    allowed,
    comfort_of,
    most_comfort,
    promises_of,
    room_of,
    weigh,
)
from contactd.core.allocation.lengthen import lengthened
from contactd.core.allocation.milp import Solve, by_highs
from contactd.core.allocation.offer_search import find_offers
from contactd.core.allocation.offers import Antennas, Offers
from contactd.core.allocation.opportunities import Opportunities, Services, find_opportunities
from contactd.core.allocation.problem import Problem, TierKind
from contactd.core.allocation.relaxation import most_contacts
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation, Grant, How, Reached
from contactd.core.allocation.search_budget import Effort
from contactd.core.allocation.tiers import Bounds, Choice, choose
from contactd.core.ground.station import Station

BoolArray = NDArray[np.bool_]

SOLVERS: dict[str, Solve] = {"highs": by_highs, "cp-sat": by_cpsat}


def allocate(
    requests: Sequence[Request],
    coverage: Mapping[str, Services],
    stations: Mapping[str, Station],
    now: float,
    previous: Allocation | None = None,
    frozen_until: float | None = None,
    *,
    until: float = math.inf,
    solver: str = "highs",
    effort: Effort | None = None,
) -> Allocation:
    """The best allocation of station time, as ``contactd.core.allocation.scoring`` counts it.

    Args:
        requests: each of its own target and name.
        coverage: by target, then by service, then by station; nobody's grants taken out.
        stations: by name; each one's ``setup_s`` and ``teardown_s`` keep grants apart.
        now: instant (s); nothing new is granted before it.
        previous: what was granted before. It is kept where nothing speaks against it.
        frozen_until: instant (s) before which what was granted stays and nothing begins anew,
            unless it is urgent; without ``previous`` it has no meaning.
        until: instant (s) after which nothing is granted; by default, the end of all coverage.
        solver: ``highs`` or ``cp-sat``.
        effort: how much work may go into looking for something better.

    Returns:
        The grants, and for each request that has less than it wants, who has what it lost.

    Raises:
        ValueError: if two requests have the same target and name, or there is no such solver.
        SolverMissing: if the solver is not installed.
    """
    _check(requests, solver)
    effort = effort or Effort()
    until = max(until if math.isfinite(until) else _end_of(coverage), now)
    before = previous.grants if previous is not None else ()
    running = tuple(grant for grant in before if grant.end > now)
    over = tuple(grant for grant in before if grant.end <= now)
    frozen = (
        None if previous is None else max(now, -math.inf if frozen_until is None else frozen_until)
    )
    since = {(each.target, each.station): each.start for each in running if each.start < now}
    antennas = Antennas(
        tuple(stations),
        np.array([each.setup_s for each in stations.values()]),
        np.array([each.teardown_s for each in stations.values()]),
    )
    opportunities = find_opportunities(requests, coverage, antennas.names, (now, until), since)
    until_frozen = now if frozen is None else max(now, frozen)
    found = find_offers(opportunities, antennas, running, (now, until_frozen), effort.starts)
    promises = promises_of(found.offers, opportunities, antennas, running, frozen)
    fine = allowed(found.offers, opportunities, promises, over, now, frozen)
    offers = found.offers.only(fine)
    promises = promises_of(offers, opportunities, antennas, running, frozen)
    problem = weigh(offers, opportunities, antennas, promises, over)
    room = room_of(opportunities, over)
    comfort, all_comfort = most_comfort(offers, opportunities, promises, room)
    bounds = Bounds(
        comfort,
        all_comfort,
        None if found.complete else lambda: most_contacts(opportunities, antennas, room),
        found.urgent_complete,
    )
    choice = choose(problem, offers.is_whole, bounds, SOLVERS[solver], effort)
    taken = choice.taken
    longer = lengthened(offers, opportunities, antennas, promises, taken, (now, until_frozen))
    grants = _grants(longer, opportunities, taken, promises, now)
    reached = _reached(problem, longer, opportunities, promises, choice)
    made = Allocation(
        at=now,
        span=(now, until),
        stations=antennas.names,
        since=now if previous is None else previous.since,
        grants=tuple(sorted((*over, *grants), key=_order)),
        tiers=reached,
        frozen_until=frozen,
        dropped=_dropped(running, grants),
    )
    return replace(
        made, shortfalls=shortfalls(made, offers, longer, opportunities, problem, taken, over)
    )


def _reached(
    problem: Problem,
    longer: Offers,
    opportunities: Opportunities,
    promises: Promises,
    choice: Choice,
) -> tuple[Reached, ...]:
    """What each tier has, and what it could have at the most."""
    found = []
    for tier, each in zip(problem.tiers, choice.tiers, strict=True):
        worth, most = each.worth, each.bound
        if tier.kind is TierKind.COMFORT:
            kept = np.zeros(longer.count)
            np.add.at(kept, longer.serve_offer, comfort_of(longer, opportunities, promises))
            worth = int(np.rint(kept[choice.taken]).sum())
            most = max(most, worth)
        found.append(Reached(tier, worth, most))
    return tuple(found)


def _check(requests: Sequence[Request], solver: str) -> None:
    if solver not in SOLVERS:
        raise ValueError(f"found solver {solver!r}; expected {' or '.join(SOLVERS)}")
    keys = [request.key for request in requests]
    for key in keys:
        if keys.count(key) > 1:
            raise ValueError(f"{key[0]} has two requests of the name {key[1]!r}")


def _end_of(coverage: Mapping[str, Services]) -> float:
    """Instant (s) at which the last possible coverage ends."""
    ends = [
        float(each.possible.ends[-1])
        for services in coverage.values()
        for of_station in services.values()
        for each in of_station.values()
        if each.possible
    ]
    return max(ends, default=-math.inf)


def _grants(
    offers: Offers,
    opportunities: Opportunities,
    taken: BoolArray,
    promises: Promises,
    now: float,
) -> list[Grant]:
    grants: list[Grant] = []
    served: dict[int, list[Request]] = {}
    for offer, opportunity in zip(
        offers.serve_offer.tolist(), offers.serve_opportunity.tolist(), strict=True
    ):
        if taken[offer]:
            request = opportunities.requests[opportunities.request[opportunity]]
            served.setdefault(offer, []).append(request)
    last_station: dict[int, str] = {}
    for piece in np.flatnonzero(taken[offers.piece_offer]).tolist():
        offer = int(offers.piece_offer[piece])
        asked = served[offer]
        station = opportunities.stations[offers.piece_station[piece]]
        at_once = any(each.stations_at_once > 1 for each in asked)
        made = Grant(
            target=offers.targets[offers.target[offer]],
            station=station,
            start=float(offers.piece_start[piece]),
            end=float(offers.piece_end[piece]),
            requests=tuple(sorted(each.name for each in asked)),
            priority=max(each.priority for each in asked),
            urgent=any(each.urgent for each in asked),
            takes_over_from="" if at_once else last_station.get(offer, ""),
        )
        last_station[offer] = station
        row = int(promises.piece_grant[piece])
        grants.append(replace(made, how=_how(made, promises, row)))
        if row >= 0 and promises.grants[row].start < now:
            # It goes on, whatever was asked for the rest of it.
            since = min(made.start, promises.grants[row].start)
            grants[-1] = replace(grants[-1], start=since)
    return sorted(grants, key=_order)


def _how(made: Grant, promises: Promises, row: int) -> How:
    if row < 0:
        return How.NEW
    before = promises.grants[row]
    moved = max(abs(made.start - before.start), abs(made.end - before.end)) > SAME_S
    if promises.frozen[row]:
        return How.FROZEN
    return How.MOVED if moved else How.KEPT


def _order(grant: Grant) -> tuple[float, str, str]:
    return grant.start, grant.station, grant.target


def _dropped(running: Sequence[Grant], grants: Sequence[Grant]) -> tuple[Grant, ...]:
    """Grants of which nothing is left."""
    return tuple(
        before
        for before in running
        if not any(
            grant.target == before.target
            and grant.station == before.station
            and grant.start < before.end
            and grant.end > before.start
            for grant in grants
        )
    )
