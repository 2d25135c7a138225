"""At which instants a step could act and have all its needs met.

For one need (a service from ``before_s`` before until ``after_s`` after) the instants are the
coverage shrunk by both; for several needs, what their sets have in common.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import EMPTY, IntervalSet, at_least, intersection, union
from contactd.core.sequences.model import Need

Services = Mapping[str, Mapping[str, Coverage]]


@dataclass(frozen=True, slots=True)
class Conditions:
    """What needs may ask for beyond a service. None: it was not computed.

    Attributes:
        sunlit: when the target is in sunlight; with penumbra counting as shadow.
        dark: by station, when it is in darkness (Sun at or below −6°).
        above: by (station, elevation in degrees), when the target stands at least so high.
        gaps: when nothing is known of the target's motion.
        open_from: instant (s) from which coverage depends on how a planned manoeuvre goes.
    """

    sunlit: IntervalSet | None = None
    dark: Mapping[str, IntervalSet] | None = None
    above: Mapping[tuple[str, float], Coverage] = field(default_factory=dict)
    gaps: IntervalSet = EMPTY
    open_from: float = math.inf


@dataclass(frozen=True, slots=True)
class View:
    """Instants at which needs are met, by how sure the coverage is.

    Attributes:
        certain, nominal, possible: as in :class:`Coverage`, for the instants of an expiry.
        known: the instants for which the prediction reaches far enough to tell.
        stations: by station, the coverage that it could possibly give to any of the needs.
        before_s, after_s: the greatest reach of the needs around the expiry.
        unchecked: what could not be checked, in words.
        open_from: instant (s) from which coverage depends on how a planned manoeuvre goes.
    """

    certain: IntervalSet
    nominal: IntervalSet
    possible: IntervalSet
    known: IntervalSet
    stations: Mapping[str, IntervalSet]
    before_s: float
    after_s: float
    unchecked: tuple[str, ...] = ()
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
            _met(need, [pick(each) for each in part.values()])
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
        unchecked=tuple(text for _, texts in parts for text in texts),
        open_from=under.open_from,
    )


def _certain(coverage: Coverage) -> IntervalSet:
    return coverage.certain


def _nominal(coverage: Coverage) -> IntervalSet:
    return coverage.nominal


def _possible(coverage: Coverage) -> IntervalSet:
    return coverage.possible


def _met(need: Need, stations: list[IntervalSet]) -> IntervalSet:
    """Instants around which a need is met by so many of the stations' coverages."""
    if need.handover:
        return at_least(need.stations, stations).shrink(need.before_s, need.after_s)
    held = [each.shrink(need.before_s, need.after_s) for each in stations]
    return at_least(need.stations, held)


def coverage_for(
    need: Need, services: Services, conditions: Conditions, without: frozenset[str]
) -> tuple[dict[str, Coverage], tuple[str, ...]]:
    """Coverage by station that satisfies all that a need asks, and what could not be checked."""
    found = {
        name: coverage
        for name, coverage in services.get(need.service, {}).items()
        if name not in without
    }
    unchecked: list[str] = []

    def narrow(what: str, by: Callable[[str], Coverage | None]) -> None:
        for name, coverage in found.items():
            limit = by(name)
            if limit is None:
                found[name] = Coverage(coverage.nominal, EMPTY, coverage.possible)
                text = f"whether {what} could not be checked"
                if text not in unchecked:
                    unchecked.append(text)
            else:
                found[name] = Coverage(
                    coverage.nominal & limit.nominal,
                    coverage.certain & limit.certain,
                    coverage.possible & limit.possible,
                )

    if need.least_elevation_deg > 0:
        narrow(
            f"the elevation reaches {need.least_elevation_deg:g}°",
            lambda name: conditions.above.get((name, need.least_elevation_deg)),
        )
    if need.sunlit is not None:
        lit = conditions.sunlit
        wanted = lit if lit is None or need.sunlit else lit.complement()
        narrow(
            "the target is in sunlight" if need.sunlit else "the target is in shadow",
            lambda name: None if wanted is None else Coverage(wanted, wanted, wanted),
        )
    if need.dark_station:
        dark = conditions.dark

        def darkness(name: str) -> Coverage | None:
            night = None if dark is None else dark.get(name)
            return None if night is None else Coverage(night, night, night)

        narrow("the station is in darkness", darkness)
    return found, tuple(unchecked)
