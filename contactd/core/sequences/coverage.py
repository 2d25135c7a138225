"""At which instants a step could act and have all its needs met.

For one need (a service from ``before_s`` before until ``after_s`` after) the instants are the
coverage shrunk by both; for several needs, what their sets have in common.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import EMPTY, IntervalSet, at_least, intersection, union
from contactd.core.sequences.model import Need
from contactd.core.sequences.needs import Condition

Services = Mapping[str, Mapping[str, Coverage]]


@dataclass(frozen=True, slots=True)
class Conditions:
    """When the conditions hold that needs ask for beside a service.

    Attributes:
        met: by (condition, station), with "" for the station where it depends on none. One that is
            absent was not computed.
        gaps: when nothing is known of the target's motion.
        open_from: instant (s) from which coverage depends on how a planned manoeuvre goes.
        degraded: by station, when it is not counted on because it is degraded.
    """

    met: Mapping[tuple[Condition, str], Coverage] = field(default_factory=dict)
    gaps: IntervalSet = EMPTY
    open_from: float = math.inf
    degraded: Mapping[str, IntervalSet] = field(default_factory=dict)

    def of(self, condition: Condition, station: str) -> Coverage | None:
        """When a condition holds at a station; None if that was not computed."""
        return self.met.get((condition, station if condition.of_station else ""))


@dataclass(frozen=True, slots=True)
class View:
    """Instants at which needs are met, by how sure the coverage is.

    Attributes:
        certain, nominal, possible: as in :class:`Coverage`, for the instants of an expiry.
        known: the instants for which the prediction reaches far enough to tell.
        stations: by station, the coverage that it could possibly give to any of the needs.
        before_s, after_s: the greatest reach of the needs around the expiry.
        unchecked: conditions that could not be checked.
        open_from: instant (s) from which coverage depends on how a planned manoeuvre goes.
    """

    certain: IntervalSet
    nominal: IntervalSet
    possible: IntervalSet
    known: IntervalSet
    stations: Mapping[str, IntervalSet]
    before_s: float
    after_s: float
    unchecked: tuple[Condition, ...] = ()
    open_from: float = math.inf


def view(
    needs: Iterable[Need],
    services: Services,
    span: tuple[float, float],
    conditions: Conditions | None = None,
    without: frozenset[str] = frozenset(),
) -> View:
    """The view that stations give to a step's needs.

    Args:
        services: coverage by service, then station.
        span: (start, end) instants (s) that the coverage was predicted for.
        without: stations to be left out.
    """
    given = tuple(needs)
    under = conditions or Conditions()
    parts = [coverage_for(need, services, under, without) for need in given]
    sets = [
        [
            met_by(need, [pick(each) for each in part.values()])
            for need, (part, _) in zip(given, parts, strict=True)
        ]
        for pick in (_certain, _nominal, _possible)
    ]
    before = max((need.before_s for need in given), default=0.0)
    after = max((need.after_s for need in given), default=0.0)
    names = sorted({name for part, _ in parts for name in part})
    return View(
        certain=intersection(sets[0]),
        nominal=intersection(sets[1]),
        possible=intersection(sets[2]),
        known=(IntervalSet([span[0]], [span[1]]) - under.gaps).shrink(before, after),
        stations={
            name: union(part[name].possible for part, _ in parts if name in part) for name in names
        },
        before_s=before,
        after_s=after,
        unchecked=tuple(dict.fromkeys(each for _, some in parts for each in some)),
        open_from=under.open_from,
    )


def _certain(coverage: Coverage) -> IntervalSet:
    return coverage.certain


def _nominal(coverage: Coverage) -> IntervalSet:
    return coverage.nominal


def _possible(coverage: Coverage) -> IntervalSet:
    return coverage.possible


def met_by(need: Need, stations: list[IntervalSet]) -> IntervalSet:
    """Instants around which a need is met by so many of the stations' coverages."""
    if need.handover:
        return at_least(need.stations, stations).shrink(need.before_s, need.after_s)
    held = [each.shrink(need.before_s, need.after_s) for each in stations]
    return at_least(need.stations, held)


def coverage_for(
    need: Need,
    services: Services,
    conditions: Conditions,
    without: frozenset[str] = frozenset(),
    asked: Iterable[Condition] | None = None,
) -> tuple[dict[str, Coverage], tuple[Condition, ...]]:
    """Coverage by station that satisfies all that a need asks, and what could not be checked.

    Args:
        without: stations to be left out.
        asked: the conditions that count; all of the need's by default.

    What could not be checked makes certain coverage empty: a need is never met for want of
    knowledge.
    """
    found = {
        name: coverage
        for name, coverage in services.get(need.service, {}).items()
        if name not in without
    }
    unchecked: list[Condition] = []
    for condition in need.conditions if asked is None else asked:
        for name, coverage in found.items():
            limit = conditions.of(condition, name)
            if limit is not None:
                found[name] = coverage.limited(limit)
                continue
            found[name] = replace(coverage, certain=EMPTY)
            if condition not in unchecked:
                unchecked.append(condition)
    return found, tuple(unchecked)
