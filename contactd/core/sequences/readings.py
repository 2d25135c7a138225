"""What readings and sightings say of the start and the clocks: a convex polygon for each clock.

A countdown that shows R remaining at t obeys ``start + (D − R) · r = t``, with D all delays up to
its expiry and r the seconds that one of its seconds lasts. With bounds on R and t that is a strip
in the plane of start and r. All strips together leave a convex polygon; whatever is linear in
start and r takes its extremes at the vertices. The truth is never cut off while every error stays
within its bounds: set-membership estimation (Schweppe, *IEEE Trans. Automatic Control* 13, 1968;
Milanese and Vicino, *Automatica* 27, 1991). Least squares gives the nominal values beside it.

Where several clocks or uncertain delays stand between the start and a reading, they enter with
their bounds. Evidence is taken in the order of the records; what contradicts all that was taken
before is left out, and named with what it contradicts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from contactd.core.sequences.clocks import (
    PPM,
    ClockBounds,
    ClockScale,
    RateBounds,
    lasting,
    rate_limits,
)
from contactd.core.sequences.curves import Curve
from contactd.core.sequences.equations import SLOWEST, Evidence, Unit, evidence_of
from contactd.core.sequences.known import Reading, SequenceKnowledge
from contactd.core.sequences.model import Sequence, Start
from contactd.core.sequences.polygon import Polygon

# Strips are widened by this much, so that rounding never empties a polygon.
ROUNDING_S = 2e-6
LEAST_SIGMA_S = 1e-6

Planes = Mapping[Unit, Polygon]


@dataclass(frozen=True, slots=True)
class Estimate:
    """Start and clocks after all evidence.

    Attributes:
        start: bounds and least-squares value (seconds on the clock scale).
        rates: bounds of each clock as functions of the start.
        vertices: by unit, the polygon's corners as (start on the clock scale, rate in ppm).
        used: numbers of the records that were used.
        left_out: readings that contradicted them.
        conflicts: what contradicts what, in words.
        shows_running: whether a reading proves that the countdown had begun.
        residuals: by record, how many standard deviations it lies off the least-squares fit.
    """

    start: tuple[float, float, float]
    rates: ClockBounds
    vertices: Mapping[Unit, tuple[tuple[float, float], ...]]
    used: tuple[int, ...] = ()
    left_out: tuple[Reading, ...] = ()
    conflicts: tuple[str, ...] = ()
    shows_running: bool = False
    residuals: Mapping[int, float] = field(default_factory=dict)


def estimate(
    sequence: Sequence, knowledge: SequenceKnowledge, start: Start, scale: ClockScale
) -> Estimate:
    """Start and clocks from the known start's bounds, the clocks' bounds and all evidence."""
    assert start.earliest is not None
    assert start.latest is not None
    work = _Work(sequence, scale, scale.enter(start.earliest), scale.enter(start.latest))
    planes = work.first()
    taken: list[Evidence] = []
    refused: list[Evidence] = []
    conflicts: list[str] = []
    given = evidence_of(sequence, knowledge, scale)
    for each in given:
        narrower = work.narrowed(planes, [each], taken)
        if narrower is None:
            conflicts.append(_accusation(work, each, taken))
            refused.append(each)
        else:
            planes = narrower
            taken.append(each)
    if refused:
        conflicts += _outliers(work, given)
    middle = start.middle
    assert middle is not None
    fit = _least_squares(sequence, start, scale, scale.enter(middle), taken, given)
    return work.result(planes, fit, taken, refused, conflicts)


class _Work:
    """The planes of all clocks of one sequence."""

    def __init__(self, sequence: Sequence, scale: ClockScale, low: float, high: float) -> None:
        self.sequence = sequence
        self.scale = scale
        self.low = low
        self.high = high
        self.units: tuple[Unit, ...] = (None, *(unit.name for unit in sequence.units))
        self.reference = low

    def first(self) -> Planes:
        """Boxes of what is known without evidence; x is the start, y is r − 1 in ppm."""
        found: dict[Unit, Polygon] = {}
        for unit in self.units:
            least, most = rate_limits(self.sequence.clock_of(unit))
            found[unit] = Polygon.box(
                (0.0, (least - 1) / PPM), (self.high - self.low, (most - 1) / PPM)
            )
        return found

    def narrowed(
        self, planes: Planes, fresh: Iterable[Evidence], before: Iterable[Evidence]
    ) -> Planes | None:
        """The planes after more evidence; None if that leaves nothing."""
        earlier = list(before)
        for each in fresh:
            changed = dict(planes)
            for unit in each.factors:
                polygon = self._cut(changed, unit, each)
                for other in earlier:
                    polygon = _pair_cut(polygon, unit, each, other)
                changed[unit] = polygon
            if any(polygon.is_empty for polygon in changed.values()):
                return None
            agreed = self._common(changed)
            if agreed is None:
                return None
            planes = agreed
            earlier.append(each)
        return planes

    def consistent(self, evidence: Iterable[Evidence]) -> bool:
        """Whether all of the evidence can be true together."""
        return self.narrowed(self.first(), evidence, ()) is not None

    def _cut(self, planes: Mapping[Unit, Polygon], unit: Unit, each: Evidence) -> Polygon:
        factor = each.factors[unit]
        others_low = others_high = 0.0
        for other, its in each.factors.items():
            if other == unit:
                continue
            least, most = planes[other].extremes(0.0, 1.0)
            reach = its * (1 + PPM * least), its * (1 + PPM * most)
            others_low += min(reach)
            others_high += max(reach)
        error = each.error_s if unit == each.unit else 0.0
        own = 0.0 if unit == each.unit else each.error_s * SLOWEST
        slack = each.slack_s + own + ROUNDING_S
        polygon = planes[unit]
        if each.first is not None:
            steep = factor + error
            limit = each.first - slack - others_high - self.reference - steep
            polygon = polygon.cut(-1.0, -steep * PPM, -limit)
        if each.last is not None:
            steep = factor - error
            limit = each.last + slack - others_low - self.reference - steep
            polygon = polygon.cut(1.0, steep * PPM, limit)
        return polygon

    def _common(self, planes: Planes) -> Planes | None:
        """The planes cut to the starts that all of them allow; None if there are none."""
        reach = [polygon.extremes(1.0, 0.0) for polygon in planes.values()]
        low, high = max(each[0] for each in reach), min(each[1] for each in reach)
        if low > high + ROUNDING_S:
            return None
        found = {
            unit: polygon.cut(-1.0, 0.0, ROUNDING_S - low).cut(1.0, 0.0, high + ROUNDING_S)
            for unit, polygon in planes.items()
        }
        return None if any(polygon.is_empty for polygon in found.values()) else found

    def result(
        self,
        planes: Planes,
        fit: _Fit,
        taken: list[Evidence],
        refused: list[Evidence],
        conflicts: list[str],
    ) -> Estimate:
        rates: dict[Unit, RateBounds] = {}
        vertices: dict[Unit, tuple[tuple[float, float], ...]] = {}
        reach = [polygon.extremes(1.0, 0.0) for polygon in planes.values()]
        low = self.reference + max(each[0] for each in reach)
        high = max(self.reference + min(each[1] for each in reach), low)
        for unit, polygon in planes.items():
            clock = self.sequence.clock_of(unit)
            starts, least, most = polygon.sides()
            knots = np.clip(starts + self.reference, low, high)
            # Curves are looked up between their knots, so the common range must be within them.
            knots[0], knots[-1] = min(knots[0], low), max(knots[-1], high)
            rates[unit] = RateBounds(
                Curve(knots, 1 + PPM * least),
                Curve(knots, 1 + PPM * most),
                min(max(fit.rates[unit], 1 + PPM * least.min()), 1 + PPM * most.max()),
                None if clock.rate_sigma_ppm is None else PPM * clock.rate_sigma_ppm,
                self.scale.wander,
            )
            vertices[unit] = tuple(
                (self.reference + float(x), (1 / (1 + PPM * float(y)) - 1) / PPM)
                for x, y in polygon.vertices
            )
        return Estimate(
            (low, min(max(fit.start, low), high), high),
            rates,
            vertices,
            tuple(each.record for each in taken),
            tuple(each.reading for each in refused if each.reading is not None),
            tuple(conflicts),
            any(_shows_progress(each) for each in taken),
            fit.residuals,
        )


def _shows_progress(each: Evidence) -> bool:
    return each.reading is not None and sum(each.factors.values()) > each.error_s


def _pair_cut(polygon: Polygon, unit: Unit, one: Evidence, other: Evidence) -> Polygon:
    """What two readings of one countdown say of its clock, whatever the delays' errors."""
    if one.group is None or one.group != other.group or one.unit != unit:
        return polygon
    earlier, later = sorted((one, other), key=lambda each: each.factors[unit])
    if None in (earlier.first, earlier.last, later.first, later.last):
        return polygon
    assert earlier.first is not None
    assert earlier.last is not None
    assert later.first is not None
    assert later.last is not None
    apart = later.factors[unit] - earlier.factors[unit]
    error = one.error_s + other.error_s
    slack = ROUNDING_S + one.wander_s + other.wander_s
    least, most = later.first - earlier.last - slack, later.last - earlier.first + slack
    if apart + error > 0:
        polygon = polygon.cut(0.0, -(apart + error) * PPM, apart + error - least)
    if apart - error > 0:
        polygon = polygon.cut(0.0, (apart - error) * PPM, most - (apart - error))
    return polygon


def _accusation(work: _Work, guilty: Evidence, taken: list[Evidence]) -> str:
    """Which evidence the last piece contradicts: a smallest set of them, in words."""
    needed = list(taken)
    for each in taken:
        fewer = [other for other in needed if other is not each]
        if not work.consistent([*fewer, guilty]):
            needed = fewer
    if not needed:
        against = "what is known of the start and the clock"
    else:
        against = " and ".join(each.name for each in needed)
    if guilty.reading is None:
        # It is believed for its step all the same: see the timeline.
        return f"{guilty.name} contradicts {against}; start and clock are estimated without it"
    return f"{guilty.name} contradicts {against}; it is not used, and the state before it stands"


def _outliers(work: _Work, given: list[Evidence]) -> list[str]:
    """The one piece of evidence without which all the rest agree, if there is just one."""
    lone = [
        each for each in given if work.consistent([other for other in given if other is not each])
    ]
    if len(lone) != 1 or len(given) < 3:
        return []
    return [f"without {lone[0].name} all others agree: it is probably the wrong one"]


@dataclass(frozen=True, slots=True)
class _Fit:
    start: float
    rates: Mapping[Unit, float]
    residuals: Mapping[int, float]


def _least_squares(
    sequence: Sequence,
    start: Start,
    scale: ClockScale,
    middle: float,
    taken: list[Evidence],
    given: list[Evidence],
) -> _Fit:
    """Weighted least squares for the start and all rates; what was known before counts as data.

    Bounded errors weigh as uniform ones: their standard deviation is the bound / √3
    (JCGM 100:2008, 4.3.7).
    """
    assert start.earliest is not None
    assert start.latest is not None
    units: tuple[Unit, ...] = (None, *(unit.name for unit in sequence.units))
    column = {unit: index + 1 for index, unit in enumerate(units)}
    rows: list[list[float]] = []
    values: list[float] = []

    def add(row: dict[int, float], value: float, sigma: float) -> None:
        weight = 1 / max(sigma, LEAST_SIGMA_S)
        rows.append([weight * row.get(index, 0.0) for index in range(len(units) + 1)])
        values.append(weight * value)

    spread = (start.latest - start.earliest) / 2 / np.sqrt(3)
    add({0: 1.0}, 0.0, start.sigma_s or spread)
    for unit in units:
        clock = sequence.clock_of(unit)
        least, most = rate_limits(clock)
        nominal = (lasting(clock.known_rate_ppm) - 1) / PPM
        sigma = clock.rate_sigma_ppm or (most - least) / PPM / 2 / np.sqrt(3)
        add({column[unit]: 1.0}, nominal, sigma)
    for each in taken:
        add(*_row(each, column, middle))
    solution = np.linalg.lstsq(np.array(rows), np.array(values), rcond=None)[0]
    residuals = {}
    for each in given:
        if each.first is None or each.last is None:
            continue
        row, value, sigma = _row(each, column, middle)
        off = value - sum(share * solution[index] for index, share in row.items())
        residuals[each.record] = float(off / max(sigma, LEAST_SIGMA_S))
    rates = {unit: 1 + PPM * float(solution[column[unit]]) for unit in units}
    return _Fit(middle + float(solution[0]), rates, residuals)


def _row(
    each: Evidence, column: Mapping[Unit, int], middle: float
) -> tuple[dict[int, float], float, float]:
    """One equation: shares of (start − middle, ppm of each r), the value, its σ in seconds."""
    row = {0: 1.0} | {column[unit]: PPM * factor for unit, factor in each.factors.items()}
    ends = [end for end in (each.first, each.last) if end is not None]
    at = sum(ends) / len(ends)
    half = (ends[-1] - ends[0]) / 2 + (each.slack_s if len(ends) == 2 else 1e9)
    sigma = float(np.sqrt((half**2 + each.error_s**2) / 3))
    return row, at - middle - sum(each.factors.values()), sigma
