"""Receptions as strips: a signal was heard, so the target stood above the horizon then.

A reception bounds the offset from one side only: acquisition may be late and loss early, never the
other way round, and silence proves nothing. The horizon is the lowest from which signals could have
arrived. The strips of several receptions and the bounds of

    d(t) = b + r·tau + a·tau²/2     (tau: days since the elements' epoch)

make a polytope; two linear programmes give the least and the greatest d at any instant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S
from contactd.core.learning.sightline import Sightline
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

EDGE_S: Final = 1e-4
"""To which the ends of a strip are found."""
_FINEST_GRID_S: Final = 0.25
_GRID: Final = 400
_WITHIN: Final = (-1.0, -0.5, 0.0, 0.5, 1.0)
"""Moments within a clock's tolerance at which a reception is tried."""


@dataclass(frozen=True, slots=True)
class Growth:
    """Bounds of d = b + r·tau + a·tau²/2, each of both signs: s, s/day, s/day²."""

    at_epoch_s: float
    per_day_s: float
    per_day2_s: float = 0.0

    def at(self, days: float) -> float:
        """Bound (s) so many days from the epoch."""
        tau = abs(days)
        return self.at_epoch_s + self.per_day_s * tau + self.per_day2_s * tau * tau / 2


@dataclass(frozen=True, slots=True)
class Reception:
    """A signal was received: its record, the station, when (instant, s), by a clock so good (s).

    Attributes:
        horizon_deg: the lowest elevation from which it could have arrived.
        displacement_km: how far the target may be off its track sideways.
        record: number of the record that says so; 0 for none.
    """

    station: Station
    at: float
    tolerance_s: float
    horizon_deg: float
    record: int = 0
    displacement_km: float = 0.0


@dataclass(frozen=True, slots=True)
class Strip:
    """Least and greatest offset (s) at an instant (s) that a reception allows; None for none."""

    reception: Reception
    days: float
    offsets_s: tuple[float, float] | None


def strip_of(track: Track, epoch: float, reception: Reception, growth: Growth) -> Strip:
    """The offsets within the growth's bound with which a reception is possible.

    Args:
        epoch: instant (s) from which the growth counts.
    """
    days = (reception.at - epoch) / DAY_S
    bound_s = growth.at(days)
    line = Sightline(track, reception.station)
    # Moved by D across a range q, a target stands at most about D/q higher.
    slack = reception.displacement_km / float(line.seen(np.array([reception.at])).range_km[0])
    least = float(np.sin(np.radians(reception.horizon_deg))) - slack * (1.0 + slack)
    shifts = reception.tolerance_s * np.array(_WITHIN if reception.tolerance_s else (0.0,))

    def clearance(offsets: FloatArray) -> FloatArray:
        """The best of the moments within the clock's tolerance, for each offset."""
        moments = np.repeat(reception.at + shifts, len(offsets))
        sine = line.sin_elevation(moments, np.tile(offsets, len(shifts)))
        best = np.nanmax(sine.reshape(len(shifts), len(offsets)), axis=0)
        return np.asarray(best - least, dtype=np.float64)

    count = int(np.clip(2 * bound_s / _FINEST_GRID_S, 8, _GRID))
    grid = np.linspace(-bound_s, bound_s, count + 1)
    above = np.flatnonzero(clearance(grid) >= 0.0)
    if not len(above):
        return Strip(reception, days, None)
    first, last = int(above[0]), int(above[-1])
    low = grid[0] if first == 0 else _edge(clearance, grid[first], grid[first - 1])
    high = grid[-1] if last == count else _edge(clearance, grid[last], grid[last + 1])
    return Strip(reception, days, (float(low), float(high)))


def _edge(clearance: object, inside: float, outside: float) -> float:
    """Where clearance ends between two offsets, on the outer side."""
    assert callable(clearance)
    while abs(outside - inside) > EDGE_S:
        middle = 0.5 * (inside + outside)
        if clearance(np.array([middle]))[0] >= 0.0:
            inside = middle
        else:
            outside = middle
    return outside


@dataclass(frozen=True, slots=True)
class Strips:
    """Strips and the bounds that they narrow: least and greatest offset at any instant."""

    strips: tuple[Strip, ...]
    growth: Growth

    @property
    def impossible(self) -> tuple[Strip, ...]:
        """Receptions that no motion within the bounds explains."""
        return tuple(each for each in self.strips if each.offsets_s is None)

    @property
    def contradictory(self) -> bool:
        """Whether no motion within the bounds explains all of them."""
        return bool(self.impossible) or self.bounds_at(0.0) is None

    def bounds_at(self, days: float) -> tuple[float, float] | None:
        """Least and greatest offset (s) so many days from the epoch; None if there is none.

        Receptions that are impossible by themselves are left out.
        """
        wanted = (1.0, days, days * days / 2)
        return _range(self._inequalities(self.strips), self.growth, wanted)

    def drift_at(self, days: float) -> tuple[float, float] | None:
        """Least and greatest drift (s/day) so many days from the epoch; None if there is none."""
        return _range(self._inequalities(self.strips), self.growth, (0.0, 1.0, days))

    def narrowing(self) -> Strips:
        """The same without receptions that contradict those before them.

        The earliest consistent state stays in force: a reception that contradicts those before it
        is left out.
        """
        kept: tuple[Strip, ...] = ()
        for each in sorted(self.strips, key=lambda one: one.reception.at):
            if each.offsets_s is None:
                continue
            tried = (*kept, each)
            if Strips(tried, self.growth).bounds_at(each.days) is not None:
                kept = tried
        return Strips(kept, self.growth)

    @staticmethod
    def _inequalities(strips: Sequence[Strip]) -> tuple[FloatArray, FloatArray]:
        rows: list[list[float]] = []
        limits: list[float] = []
        for each in strips:
            if each.offsets_s is None:
                continue
            row = [1.0, each.days, each.days**2 / 2]
            rows += [row, [-part for part in row]]
            limits += [each.offsets_s[1], -each.offsets_s[0]]
        return np.array(rows).reshape(-1, 3), np.array(limits)


def _range(
    inequalities: tuple[FloatArray, FloatArray],
    growth: Growth,
    wanted: tuple[float, float, float],
) -> tuple[float, float] | None:
    """Least and greatest value of a linear function of (b, r, a); None if nothing is feasible."""
    from scipy.optimize import linprog

    matrix, limits = inequalities
    bounds = [(-each, each) for each in (growth.at_epoch_s, growth.per_day_s, growth.per_day2_s)]
    found = []
    for sign in (1.0, -1.0):
        solved = linprog(
            sign * np.array(wanted),
            A_ub=matrix if len(matrix) else None,
            b_ub=limits if len(matrix) else None,
            bounds=bounds,
            method="highs",
        )
        if not solved.success:
            return None
        found.append(sign * float(solved.fun))
    return found[0], found[1]
