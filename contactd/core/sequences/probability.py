"""The distribution of an expiry: a sum of independent parts, uniform or normal.

What is only known within bounds is uniform between them; what has a stated standard deviation is
normal. The distribution function of a sum of uniform parts is a piecewise polynomial,

    F(x) = Σ over signs e of (Π e) · max(x + Σ e_i a_i, 0)^n / (n! · Π 2 a_i),

with a_i the half-widths; its terms cancel, so it is summed in exact rational arithmetic. With a
normal part, or with very many parts, the function is convolved on a fine grid.

Sources: JCGM 100:2008, 4.3.7 (bounds: uniform) and 4.3.4 to 4.3.6 (normal); Feller, *An
Introduction to Probability Theory and Its Applications* II, I.9 (the formula, Lagrange's).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.intervals import IntervalSet

FloatArray = NDArray[np.float64]

EXACT_PARTS = 7
GRID_POINTS = 20_001
# A part this much narrower than the widest moves no probability by more than the same share.
NEGLIGIBLE = 1e-9
REACH_SIGMAS = 9.0


@dataclass(frozen=True)
class Spread:
    """A random instant: a centre plus independent parts.

    Attributes:
        centre: mean (instant, s).
        half_widths_s: half-widths of the uniform parts.
        sigmas_s: standard deviations of the normal parts.
    """

    centre: float
    half_widths_s: tuple[float, ...] = ()
    sigmas_s: tuple[float, ...] = ()

    @property
    def standard_uncertainty_s(self) -> float:
        """Combined standard uncertainty (JCGM 100:2008, 5.1.2; a uniform part's is a/√3)."""
        uniform = sum(width**2 / 3 for width in self.half_widths_s)
        return math.sqrt(uniform + sum(sigma**2 for sigma in self.sigmas_s))

    def widened(self, half_width_s: float) -> Spread:
        """The same with one more uniform part."""
        return Spread(self.centre, (*self.half_widths_s, half_width_s), self.sigmas_s)

    def before(self, instants: ArrayLike) -> FloatArray:
        """Probability that it lies at or before each instant; same shape."""
        offsets = np.asarray(instants, dtype=np.float64) - self.centre
        widths, sigma = self._parts
        if not widths and sigma == 0:
            return np.asarray(offsets >= 0, dtype=np.float64)
        if sigma == 0 and len(widths) <= EXACT_PARTS:
            flat = [_uniform_sum(float(x), widths) for x in offsets.ravel()]
            return np.array(flat, dtype=np.float64).reshape(offsets.shape)
        grid, values = self._table
        return np.asarray(np.interp(offsets, grid, values, 0.0, 1.0), dtype=np.float64)

    def within(self, instants: IntervalSet) -> float:
        """Probability that it lies in a set."""
        reach = sum(self.half_widths_s) + REACH_SIGMAS * self._parts[1] + 1.0
        near = instants.clip(self.centre - reach, self.centre + reach)
        if not near:
            return 0.0
        # An instant without any spread may lie on the end of an interval, which belongs to it.
        if not self._parts[0] and self._parts[1] == 0:
            return float(bool(((near.starts <= self.centre) & (self.centre <= near.ends)).any()))
        total = float((self.before(near.ends) - self.before(near.starts)).sum())
        return min(max(total, 0.0), 1.0)

    @cached_property
    def _parts(self) -> tuple[tuple[float, ...], float]:
        """Uniform half-widths that matter, and one standard deviation for all normal parts."""
        sigma = math.sqrt(sum(each**2 for each in self.sigmas_s))
        floor = NEGLIGIBLE * max(max(self.half_widths_s, default=0.0), sigma)
        widths = tuple(each for each in self.half_widths_s if each > floor)
        return widths, sigma if sigma > floor else 0.0

    @cached_property
    def _table(self) -> tuple[FloatArray, FloatArray]:
        return _convolved(*self._parts)


def _uniform_sum(offset: float, half_widths: Sequence[float]) -> float:
    """Distribution function at ``offset`` of a sum of centred uniform parts, exactly."""
    reach = math.fsum(half_widths)
    if offset <= -reach:
        return 0.0
    if offset >= reach:
        return 1.0
    count = len(half_widths)
    widths = [Fraction(each) for each in half_widths]
    at = Fraction(offset)
    total = Fraction(0)
    for signs in product((1, -1), repeat=count):
        base = at + sum((s * w for s, w in zip(signs, widths, strict=True)), Fraction(0))
        if base > 0:
            total += math.prod(signs) * base**count
    scale = math.factorial(count) * math.prod((2 * each for each in widths), start=Fraction(1))
    return float(total / scale)


def _convolved(half_widths: Sequence[float], sigma: float) -> tuple[FloatArray, FloatArray]:
    """The distribution function on a grid of offsets: normal, then smeared by each uniform part."""
    reach = sum(half_widths) + REACH_SIGMAS * sigma
    grid = np.linspace(-reach, reach, GRID_POINTS)
    widths = sorted(half_widths, reverse=True)
    if sigma > 0:
        values = np.array([0.5 * math.erfc(-x / (sigma * math.sqrt(2))) for x in grid])
    else:
        first = widths.pop(0)
        values = np.clip((grid + first) / (2 * first), 0.0, 1.0)
    step = grid[1] - grid[0]
    for width in widths:
        area = np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) * step / 2)])

        def integral(x: FloatArray, area: FloatArray = area) -> FloatArray:
            inside = np.interp(x, grid, area)
            return np.asarray(inside + np.maximum(x - grid[-1], 0.0), dtype=np.float64)

        values = (integral(grid + width) - integral(grid - width)) / (2 * width)
    return grid, np.clip(values, 0.0, 1.0)
