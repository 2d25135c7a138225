"""Continuous piecewise linear functions of the start: how bounds of an expiry depend on it.

Everything that bounds an expiry is linear in the start and in the clocks' rates, and the bounds of
the rates are piecewise linear in the start (the sides of a convex polygon). Sums, maxima and minima
of such functions are piecewise linear again, so their extremes lie at knots and are exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """A function on ``[knots[0], knots[-1]]``, linear between knots.

    Attributes:
        knots: ascending, shape ``[n]``; a single knot where the start is known exactly.
        values: at the knots, shape ``[n]``.
    """

    knots: FloatArray
    values: FloatArray

    @classmethod
    def constant(cls, value: float, over: Curve) -> Curve:
        """The same value wherever ``over`` is defined."""
        ends = over.knots[[0, -1]] if len(over.knots) > 1 else over.knots
        return cls(ends, np.full(len(ends), value))

    @classmethod
    def identity(cls, low: float, high: float) -> Curve:
        """The start itself, from ``low`` to ``high``."""
        knots = np.array([low, high] if high > low else [low], dtype=np.float64)
        return cls(knots, knots)

    @property
    def least(self) -> float:
        """Least value."""
        return float(self.values.min())

    @property
    def greatest(self) -> float:
        """Greatest value."""
        return float(self.values.max())

    def at(self, instants: FloatArray) -> FloatArray:
        """Values at given starts, same shape."""
        return np.asarray(np.interp(instants, self.knots, self.values), dtype=np.float64)

    def plus(self, seconds: float) -> Curve:
        """The function raised by a constant."""
        return Curve(self.knots, self.values + seconds)

    def plus_scaled(self, factor: float, other: Curve) -> Curve:
        """This function plus ``factor`` times another."""
        knots = _joined(self, other)
        return Curve(knots, self.at(knots) + factor * other.at(knots))

    def higher(self, other: Curve) -> Curve:
        """The greater of two functions at each start."""
        knots = _with_crossings(self, other)
        return Curve(knots, np.maximum(self.at(knots), other.at(knots)))

    def lower(self, other: Curve) -> Curve:
        """The lesser of two functions at each start."""
        knots = _with_crossings(self, other)
        return Curve(knots, np.minimum(self.at(knots), other.at(knots)))


def _joined(one: Curve, other: Curve) -> FloatArray:
    if np.array_equal(one.knots, other.knots):
        return one.knots
    low = max(one.knots[0], other.knots[0])
    high = min(one.knots[-1], other.knots[-1])
    knots = np.union1d(one.knots, other.knots)
    return np.asarray(knots[(knots >= low) & (knots <= high)], dtype=np.float64)


def _with_crossings(one: Curve, other: Curve) -> FloatArray:
    knots = _joined(one, other)
    apart = one.at(knots) - other.at(knots)
    cross = np.flatnonzero(apart[:-1] * apart[1:] < 0)
    if not len(cross):
        return knots
    share = apart[cross] / (apart[cross] - apart[cross + 1])
    crossings = knots[cross] + share * (knots[cross + 1] - knots[cross])
    return np.union1d(knots, crossings)
