"""A convex polygon, cut by half-planes one after the other; its vertices are exact.

Each cut keeps the vertices on the right side and adds the points where edges cross the line
(Sutherland and Hodgman, *Reentrant polygon clipping*, CACM 17, 1974, for a convex polygon). A
polygon may be degenerate: a segment where one coordinate is known, or a single point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Columns closer than this (seconds, where x is a start) are one: rounding moved them apart.
SNAP = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Polygon:
    """The convex hull of its vertices; empty without any.

    Attributes:
        vertices: in order around it, shape ``[n, 2]``.
    """

    vertices: FloatArray

    @classmethod
    def box(cls, low: tuple[float, float], high: tuple[float, float]) -> Polygon:
        """All points from ``low`` to ``high``, both included."""
        corners = [(low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1])]
        return cls(_distinct(np.array(corners, dtype=np.float64)))

    @property
    def is_empty(self) -> bool:
        """Whether it holds no point."""
        return len(self.vertices) == 0

    @property
    def area(self) -> float:
        """Its area; zero for a segment or a point."""
        if len(self.vertices) < 3:
            return 0.0
        x, y = (self.vertices - self.vertices[0]).T
        return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)

    def cut(self, a: float, b: float, limit: float) -> Polygon:
        """The part where ``a·x + b·y ≤ limit``."""
        if self.is_empty:
            return self
        excess = self.vertices @ np.array([a, b]) - limit
        if (excess <= 0).all():
            return self
        if (excess > 0).all():
            return Polygon(np.empty((0, 2)))
        kept: list[FloatArray] = []
        count = len(self.vertices)
        for index in range(count):
            here, there = excess[index], excess[(index + 1) % count]
            if here <= 0:
                kept.append(self.vertices[index])
            if (here <= 0) != (there <= 0):
                share = here / (here - there)
                step = self.vertices[(index + 1) % count] - self.vertices[index]
                kept.append(self.vertices[index] + share * step)
        return Polygon(_distinct(np.array(kept)))

    def extremes(self, a: float, b: float) -> tuple[float, float]:
        """Least and greatest ``a·x + b·y``: both are attained at vertices."""
        values = self.vertices @ np.array([a, b])
        return float(values.min()), float(values.max())

    def sides(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Its lower and upper side: x ascending ``[k]``, least y and greatest y there ``[k]``."""
        vertices = _snapped(self.vertices)
        knots = np.unique(vertices[:, 0])
        lower, upper = _chain(vertices, -1.0), _chain(vertices, 1.0)
        return (
            knots,
            np.interp(knots, lower[:, 0], lower[:, 1]),
            np.interp(knots, upper[:, 0], upper[:, 1]),
        )


def _distinct(points: FloatArray) -> FloatArray:
    """The points without immediate repetitions."""
    if len(points) < 2:
        return points
    keep = (points != np.roll(points, 1, axis=0)).any(axis=1)
    return points[keep] if keep.any() else points[:1]


def _snapped(vertices: FloatArray) -> FloatArray:
    """The vertices with those of nearly the same x put at the same x: a side may be upright."""
    order = np.argsort(vertices[:, 0])
    x = vertices[order, 0]
    column = np.cumsum(np.concatenate([[0], np.diff(x) > SNAP]))
    first = np.concatenate([[True], np.diff(x) > SNAP])
    snapped = vertices[order].copy()
    snapped[:, 0] = x[first][column]
    return np.asarray(snapped, dtype=np.float64)


def _chain(vertices: FloatArray, sign: float) -> FloatArray:
    """Lower (−1) or upper (+1) hull of convex vertices, x strictly ascending."""
    order = np.lexsort((-sign * vertices[:, 1], vertices[:, 0]))
    points = vertices[order]
    first = np.concatenate([[True], points[1:, 0] > points[:-1, 0]])
    hull: list[FloatArray] = []
    for point in points[first]:
        while len(hull) > 1:
            turn = _turn(hull[-2], hull[-1], point)
            if sign * turn < 0:
                break
            hull.pop()
        hull.append(point)
    return np.array(hull)


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> float:
    """Positive where a, b, c turn left."""
    return float((b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0]))
