"""A track from a table of states, interpolated as its maker asks.

Sources: CCSDS 502.0-B-3 section 5.2.4 for what an ephemeris means; Lagrange's and Hermite's
polynomials as in Davis, *Interpolation and Approximation* (1975), chapter 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from contactd.core.intervals import IntervalSet
from contactd.core.orbit.covariance import Covariance

FloatArray = NDArray[np.float64]
Method = Literal["HERMITE", "LAGRANGE", "LINEAR"]

MAX_DEGREE: Final = 31
"""Highest degree of interpolation; polynomials of higher degree swing wildly."""
EARTH_RATE_RAD_S: Final = 7.292115e-5
_RATE_SLACK: Final = 1.05
_END_SLACK_S: Final = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """States that may be interpolated among each other; two of the same content are equal.

    Attributes:
        instants: ascending, shape ``[n]`` (s), at least two.
        position_km, velocity_km_s: in TEME of date, shape ``[n, 3]``.
        usable: (from, until) instants (s) between which interpolated states may be used.
        method, degree: of interpolation. Hermite's polynomials use velocities too, so that degree
            7 takes four states; with fewer states than a degree needs, a lower one is used.
    """

    instants: FloatArray
    position_km: FloatArray
    velocity_km_s: FloatArray
    usable: tuple[float, float]
    method: Method = "HERMITE"
    degree: int = 7

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Segment):
            return NotImplemented
        return self is other or (
            (self.usable, self.method, self.degree) == (other.usable, other.method, other.degree)
            and all(
                np.array_equal(mine, theirs)
                for mine, theirs in zip(self.tables, other.tables, strict=True)
            )
        )

    def __hash__(self) -> int:
        return hash((self.usable, self.method, self.degree, len(self.instants)))

    @property
    def tables(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Instants, positions and velocities."""
        return self.instants, self.position_km, self.velocity_km_s

    def states(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (km) and velocities (km/s), each ``[m, 3]``, at instants ``[m]``."""
        if self.method == "HERMITE":
            width = (self.degree + 1) // 2
        else:
            width = 2 if self.method == "LINEAR" else self.degree + 1
        width = min(max(width, 1), len(self.instants))
        window = self._windows(at, width)
        # Seconds from the window's first node, in spans of a window: well-scaled numbers.
        span = (self.instants[window[:, -1]] - self.instants[window[:, 0]]) if width > 1 else 1.0
        scale = np.broadcast_to(np.asarray(span, dtype=np.float64), at.shape)
        origin = self.instants[window[:, 0]]
        nodes = (self.instants[window] - origin[:, None]) / scale[:, None]
        x = (at - origin) / scale
        positions, velocities = self.position_km[window], self.velocity_km_s[window]
        if self.method == "HERMITE":
            return _hermite(x, nodes, positions, velocities, scale)
        basis = _basis(x, nodes)[0]
        return (
            np.einsum("mk,mkc->mc", basis, positions),
            np.einsum("mk,mkc->mc", basis, velocities),
        )

    def _windows(self, at: FloatArray, width: int) -> NDArray[np.int64]:
        """Indices ``[m, width]`` of the nodes around each instant, kept inside the segment."""
        after = np.searchsorted(self.instants, at, side="right")
        first = after - width // 2
        if width % 2:
            # An odd window leans to the nearer node.
            low = self.instants[np.clip(after - 1, 0, len(self.instants) - 1)]
            high = self.instants[np.clip(after, 0, len(self.instants) - 1)]
            first = np.where(at - low < high - at, first - 1, first)
        first = np.clip(first, 0, len(self.instants) - width)
        return np.asarray(first[:, None] + np.arange(width), dtype=np.int64)


@dataclass(frozen=True)
class EphemerisTrack:
    """A track made of segments; between them, and outside them, there are no states.

    Attributes:
        name: the target's name.
        segments: in order of time. Where two share an instant, the later one counts.
        covariances: how well the states are known, where the message says it, in order of time.
    """

    name: str
    segments: tuple[Segment, ...]
    covariances: tuple[Covariance, ...] = ()

    @cached_property
    def validity(self) -> IntervalSet:
        """Instants (s) at which states can be had."""
        return IntervalSet.of(segment.usable for segment in self.segments)

    @property
    def validity_s(self) -> float:
        """Seconds from its first state that may be used to its last."""
        return float(self.segments[-1].usable[1] - self.segments[0].usable[0])

    @cached_property
    def fastest_rate_rad_s(self) -> float:
        """Upper bound of the angular rate about the Earth's centre, in rad/s."""
        fastest = EARTH_RATE_RAD_S
        for segment in self.segments:
            momentum = np.linalg.norm(np.cross(segment.position_km, segment.velocity_km_s), axis=1)
            rates = momentum / np.einsum("ni,ni->n", segment.position_km, segment.position_km)
            # Between two states far apart a perigee may hide: there the rate grows as r^-2.
            turned = np.max(rates[:-1] * np.diff(segment.instants), initial=0.0)
            fastest = max(fastest, float(rates.max()) * (_RATE_SLACK + min(float(turned), 1.0)))
        return fastest

    def states(self, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (km) and velocities (km/s), each ``[n, 3]``, in TEME of date; NaN outside."""
        at = np.asarray(instants, dtype=np.float64)
        position = np.full((len(at), 3), np.nan)
        velocity = np.full((len(at), 3), np.nan)
        for segment in self.segments:
            low, high = segment.usable
            inside = (at >= low - _END_SLACK_S) & (at <= high + _END_SLACK_S)
            if inside.any():
                position[inside], velocity[inside] = segment.states(at[inside])
        return position, velocity


def _basis(x: FloatArray, nodes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lagrange's basis polynomials and their derivatives at x, each ``[m, k]``.

    Products and the product rule, which hold at the nodes too.
    """
    count = nodes.shape[1]
    value = np.ones(nodes.shape)
    slope = np.zeros(nodes.shape)
    for j in range(count):
        for other in range(count):
            if other == j:
                continue
            across = 1.0 / (nodes[:, j] - nodes[:, other])
            factor = (x - nodes[:, other]) * across
            slope[:, j] = slope[:, j] * factor + value[:, j] * across
            value[:, j] = value[:, j] * factor
    return value, slope


def _hermite(
    x: FloatArray,
    nodes: FloatArray,
    positions: FloatArray,
    velocities: FloatArray,
    scale: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Hermite's polynomial and its derivative by time, each ``[m, 3]``."""
    value, slope = _basis(x, nodes)
    count = nodes.shape[1]
    # The slope of each basis polynomial at its own node.
    own = np.zeros(nodes.shape)
    for j in range(count):
        for other in range(count):
            if other != j:
                own[:, j] += 1.0 / (nodes[:, j] - nodes[:, other])
    away = x[:, None] - nodes
    square, square_slope = value**2, 2.0 * value * slope
    first = (1.0 - 2.0 * away * own) * square
    first_slope = -2.0 * own * square + (1.0 - 2.0 * away * own) * square_slope
    second = away * square
    second_slope = square + away * square_slope
    speeds = velocities * scale[:, None, None]
    position = np.einsum("mk,mkc->mc", first, positions) + np.einsum("mk,mkc->mc", second, speeds)
    velocity = np.einsum("mk,mkc->mc", first_slope, positions) + np.einsum(
        "mk,mkc->mc", second_slope, speeds
    )
    return position, velocity / scale[:, None]
