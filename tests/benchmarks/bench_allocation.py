"""How long sharing station time takes: 50 targets, 10 stations, 7 days, in one run.

``python tests/benchmarks/bench_allocation.py [--seed N] [--limit SECONDS]``

Fifty invented low satellites over ten invented stations (those of ``workloads.py``), each
with requests of its own: priorities, counts a day, spacings, preferred stations, deadlines, and a
few that nothing may push aside. In one run:

- the crowd is shared by HiGHS, and by CP-SAT where OR-Tools is installed; the two must agree on
  what the best is worth, or differ by no more than both of them say that they may;
- a request is added, and all is shared again with what was granted before: how much of it stays;
- a greedy choice, by priority and then by time, says what looking for the best is worth.

The exit code is 1 if HiGHS takes longer than the limit, if contacts may be more than two in a
hundred below the best, or if an allocation breaks a rule.
"""

from __future__ import annotations

import argparse
import importlib.util
import itertools
import sys
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import workloads

from contactd.core.allocation.allocate import allocate
from contactd.core.allocation.problem import TierKind
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation, Grant, How
from contactd.core.ground.station import ServiceTerms, Station
from contactd.core.instants import DAY_S
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.planning import predict_target
from contactd.core.sequences.coverage import Services
from contactd.core.target import Target

TARGETS, STATIONS, DAYS = 50, 10, 7
LIMIT_S = 60.0
MOST_GAP = 0.02
START = workloads.EPOCH
END = START + DAYS * DAY_S
TERMS = {
    "telemetry": ServiceTerms(least_elevation_deg=5.0),
    "command": ServiceTerms(least_elevation_deg=10.0, acquisition_s=20.0),
}


def crowd(seed: int) -> tuple[list[Request], dict[str, Services], dict[str, Station]]:
    """Requests, coverage as the engine predicts it, and the stations by name."""
    made = workloads.workload("crowd", TARGETS, STATIONS, DAYS)
    stations = {
        each.name: replace(each, services=TERMS, setup_s=120.0, teardown_s=60.0)
        for each in made.stations
    }
    places = list(stations.values())
    coverage = {
        each.name: predict_target(
            Target(each.name, (each,), stated_error=OrbitError(0.2, 1.5)),
            places,
            (START, END),
            START,
        ).outlook.services
        for each in made.elements
    }
    return requests_of(list(coverage), list(stations), seed), coverage, stations


def requests_of(targets: Sequence[str], stations: Sequence[str], seed: int) -> list[Request]:
    """What each target asks for: two requests, and of every tenth target a third that is urgent."""
    dice = np.random.default_rng(seed)
    asked = []
    for number, target in enumerate(targets):
        asked.append(
            Request(
                target,
                "daily",
                "telemetry",
                priority=int(dice.integers(1, 10)),
                least_duration_s=float(dice.choice([180.0, 240.0, 300.0])),
                most_duration_s=3600.0,
                count=int(dice.integers(2, 9)),
                least_spacing_s=float(dice.choice([0.0, 3600.0, 7200.0])),
                preferred=tuple(dice.choice(stations, 2, replace=False).tolist()),
            )
        )
        if number % 10 == 5:
            asked.append(
                Request(target, "all there is", priority=1, least_duration_s=240.0, count=None)
            )
        elif number % 2 == 0:
            asked.append(
                Request(
                    target,
                    "upload",
                    "command",
                    priority=20,
                    count=3,
                    per_day=False,
                    deadline=START + float(dice.uniform(2.0, 6.0)) * DAY_S,
                )
            )
        if number % 10 == 0:
            deadline = START + float(dice.uniform(0.5, 3.0)) * DAY_S
            stop = Request(target, "stop", "command", count=1, per_day=False, deadline=deadline)
            asked.append(replace(stop, priority=50, urgent=True, late=True))
    return asked


def greedy(
    requests: Sequence[Request], coverage: dict[str, Services], stations: dict[str, Station]
) -> int:
    """Contacts, each times its priority, that whole contacts give: first come, first served."""
    busy: dict[str, IntervalSet] = dict.fromkeys(stations, IntervalSet())
    total = 0
    for request in sorted(requests, key=lambda each: (not each.urgent, -each.priority)):
        mine, counts = IntervalSet(), dict[float, int]()
        for start, end, station in contacts(request, coverage[request.target]):
            place, day = stations[station], start // DAY_S if request.per_day else 0.0
            room = request.count is None or counts.get(day, 0) < request.count
            spacing_s = request.least_spacing_s or 0.0
            apart = not mine.meets(start - spacing_s, end + spacing_s)
            held = start - place.setup_s, end + place.teardown_s
            if room and apart and not busy[station].meets(*held):
                busy[station] = busy[station] | IntervalSet([held[0]], [held[1]])
                mine = mine | IntervalSet([start], [end])
                counts[day] = counts.get(day, 0) + 1
                total += request.priority
    return total


def contacts(request: Request, services: Services) -> list[tuple[float, float, str]]:
    """The whole contacts that would do for a request, in the order of time."""
    by_station = services[request.service or "telemetry"]
    found = [
        (start, end, station)
        for station, each in by_station.items()
        for start, end in each.nominal.clip(START, min(request.deadline, END))
        if end - start >= request.least_duration_s
    ]
    return sorted(found)


def broken(made: Allocation, stations: dict[str, Station]) -> list[str]:
    """What is wrong with an allocation, by plain loops over its grants."""
    found = []
    for name, place in stations.items():
        mine = sorted((each for each in made.grants if each.station == name), key=_start)
        apart_s = place.setup_s + place.teardown_s
        for one, other in itertools.pairwise(mine):
            if other.start < one.end + apart_s - 1e-2:
                found.append(f"{name}: {one.target} and {other.target} at once")
    return found


def _start(grant: Grant) -> float:
    return grant.start


def main() -> int:
    """Run the comparison and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=workloads.SEED)
    parser.add_argument("--limit", type=float, default=LIMIT_S, metavar="SECONDS")
    given = parser.parse_args()
    begun = time.perf_counter()
    requests, coverage, stations = crowd(given.seed)
    predicted_s = time.perf_counter() - begun
    some = sum(len(each.nominal) for by in coverage.values() for each in by["telemetry"].values())
    print(
        f"seed {given.seed}: {len(coverage)} targets, {len(stations)} stations, {DAYS} days, "
        f"{some} contacts, {len(requests)} requests; predicted in {predicted_s:.2f} s"
    )

    def shared(
        words: str,
        asked: Sequence[Request],
        solver: str = "highs",
        before: Allocation | None = None,
        frozen_until: float | None = None,
    ) -> tuple[Allocation, float]:
        begun, used = time.perf_counter(), time.process_time()
        made = allocate(
            asked, coverage, stations, START, before, frozen_until,
            until=END, solver=solver,
        )  # fmt: skip
        took_s, used_s = time.perf_counter() - begun, time.process_time() - used
        best = "; ".join(
            f"{each.tier.kind} {each.worth:,} of at most {each.most:,} ({each.gap:.2%})"
            for each in made.tiers
            if each.most
        )
        print(
            f"{words}: {used_s:.2f} s of processor ({took_s:.2f} s by the wall clock), "
            f"{len(made.grants)} grants,\n  {best}; "
            f"{len(made.shortfalls)} requests fall short"
        )
        return made, used_s

    made, took_s = shared("HiGHS", requests)
    wrong = broken(made, stations)
    if importlib.util.find_spec("ortools"):
        other, other_s = shared("CP-SAT", requests, "cp-sat")
        wrong += broken(other, stations)
        print(f"CP-SAT takes {other_s / took_s:.1f} times as long")
        if any(
            one.worth > two.most or two.worth > one.most
            for one, two in zip(made.tiers, other.tiers, strict=True)
            if one.tier.kind is TierKind.CONTACTS
        ):
            wrong.append("one solver finds more than the other says there is")
    by_key = {each.key: each.priority for each in requests}
    counted = sum(by_key[each.target, name] for each in made.grants for name in each.requests)
    plain = greedy(requests, coverage, stations)
    print(
        f"contacts times priority: {counted}, first come first served {plain}: "
        f"ratio {counted / plain:.2f}"
    )
    newcomer = replace(requests[0], name="newcomer", priority=10, count=1, preferred=())
    again, _ = shared("one request more", [*requests, newcomer], "highs", made, START + 7200.0)
    same = sum(each.how in (How.KEPT, How.FROZEN) for each in again.grants)
    print(f"of {len(made.grants)} grants {same} stay as they were ({same / len(made.grants):.1%})")
    wrong += broken(again, stations)
    every = [Request(target) for target in coverage]
    most, most_s = shared("every contact of everyone", every)
    wrong += broken(most, stations)
    for words, each_s in (("HiGHS", took_s), ("every contact of everyone", most_s)):
        if each_s > given.limit:
            wrong.append(f"{words} took {each_s:.1f} s, more than {given.limit:g} s")
    for words, each in (("HiGHS", made), ("every contact of everyone", most)):
        if each.gap > MOST_GAP:
            wrong.append(f"{words} ends with a gap of {each.gap:.2%}, more than {MOST_GAP:.0%}")
    for each in wrong:
        print(f"wrong: {each}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
