"""A track propagated numerically from one state: for a satellite that has no element set yet.

The integrator is scipy's DOP853 (Hairer, Nørsett and Wanner, *Solving Ordinary Differential
Equations I*, section II.5) with its dense output. It works in the inertial frame that is TEME at
the state's epoch; states are handed out in TEME of their own date.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.instants import DAY_S
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit.forces import EARTH_RADIUS_KM, Acceleration, Forces, altitude_km
from contactd.core.orbit.inertial import inertial_to_teme
from contactd.core.orbit.states import Spacecraft, StateVector

FloatArray = NDArray[np.float64]

MAX_SPAN_S: Final = 60 * DAY_S
"""Longest span from the epoch, either way: errors of the air alone make more worthless."""
LOWEST_ALTITUDE_KM: Final = 90.0
"""Below it the satellite is lost, and the track ends."""
EARTH_RATE_RAD_S: Final = 7.292115e-5
ROUNDED_TO_S: Final = DAY_S / 4
MOST_KEPT: Final = 64

_RELATIVE_TOLERANCE: Final = 1e-10
_ABSOLUTE_TOLERANCE: Final = (1e-7,) * 3 + (1e-10,) * 3  # km, km/s
_LONGEST_STEP_S: Final = 7_200.0
_RATE_SLACK: Final = 1.02


@dataclass(frozen=True)
class NumericalTrack:
    """The motion that follows from a state under the forces of :mod:`.forces`.

    Nothing is computed until states are asked for; then the whole span is, once.

    Attributes:
        name: the target's name.
        state: where it starts.
        span: (start, end) instants (s) within which states can be had; cut to ``MAX_SPAN_S`` on
            either side of the state's epoch, and where the satellite comes down.
    """

    name: str
    state: StateVector
    span: tuple[float, float]
    spacecraft: Spacecraft = field(default_factory=Spacecraft)
    forces: Forces = field(default_factory=Forces)

    @cached_property
    def _arcs(self) -> tuple[tuple[float, float, Any], ...]:
        """(from, until, solution) in seconds since the epoch, backward and forward."""
        low = max(self.span[0] - self.state.epoch, -MAX_SPAN_S)
        high = min(self.span[1] - self.state.epoch, MAX_SPAN_S)
        if high <= low or not self._is_aloft:
            return ()
        motion = Acceleration(
            self.forces, self.spacecraft, self.state.epoch, min(low, 0.0), max(high, 0.0)
        )
        arcs = []
        if low < 0:
            reached, solution = self._integrate(motion, low)
            arcs.append((reached, min(high, 0.0), solution))
        if high > 0:
            reached, solution = self._integrate(motion, high)
            arcs.append((max(low, 0.0), reached, solution))
        return tuple(arc for arc in arcs if arc[0] < arc[1])

    @property
    def _is_aloft(self) -> bool:
        return altitude_km(*self.state.position_km) > LOWEST_ALTITUDE_KM

    def _integrate(self, motion: Acceleration, until_s: float) -> tuple[float, Any]:
        from scipy.integrate import solve_ivp

        def height(_t: float, y: FloatArray) -> float:
            return altitude_km(float(y[0]), float(y[1]), float(y[2])) - LOWEST_ALTITUDE_KM

        height.terminal = True  # type: ignore[attr-defined]
        height.direction = -1.0  # type: ignore[attr-defined]
        solved = solve_ivp(
            motion,
            (0.0, until_s),
            np.array([*self.state.position_km, *self.state.velocity_km_s]),
            method="DOP853",
            dense_output=True,
            rtol=_RELATIVE_TOLERANCE,
            atol=np.array(_ABSOLUTE_TOLERANCE),
            max_step=_LONGEST_STEP_S,
            events=height,
        )
        return float(solved.t[-1]), solved.sol

    @cached_property
    def validity(self) -> IntervalSet:
        """Instants (s) at which states can be had."""
        epoch = self.state.epoch
        if not self._arcs:
            return EMPTY
        return IntervalSet.of((epoch + low, epoch + high) for low, high, _ in self._arcs)

    @property
    def comes_down_at(self) -> float | None:
        """Instant (s) at which the satellite is lost to the air within the span, or None."""
        if not self._is_aloft:
            return self.state.epoch
        end = min(self.span[1], self.state.epoch + MAX_SPAN_S)
        if not self._arcs:
            return None
        reached = self.state.epoch + self._arcs[-1][1]
        return reached if reached < end - 1e-3 else None

    @cached_property
    def fastest_rate_rad_s(self) -> float:
        """Upper bound of the angular rate about the Earth's centre, in rad/s."""
        fastest = EARTH_RATE_RAD_S
        for _, _, solution in self._arcs:
            y = solution(_between(np.asarray(solution.ts, dtype=np.float64)))
            momentum = np.linalg.norm(np.cross(y[:3].T, y[3:].T), axis=1)
            fastest = max(fastest, float((momentum / (y[:3] ** 2).sum(axis=0)).max()))
        highest = np.sqrt(2 * 398_600.4418 / EARTH_RADIUS_KM**3)
        return min(_RATE_SLACK * fastest, float(highest))

    def states(self, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (km) and velocities (km/s), each ``[n, 3]``, in TEME of date; NaN outside."""
        at = np.asarray(instants, dtype=np.float64)
        since = at - self.state.epoch
        state = np.full((len(at), 6), np.nan)
        for low, high, solution in self._arcs:
            inside = (since >= low) & (since <= high)
            if inside.any():
                state[inside] = solution(since[inside]).T
        if not len(at):
            return state[:, :3], state[:, 3:]
        # From TEME of the epoch through an inertial frame to TEME of date.
        start = inertial_to_teme("GCRF", np.array([self.state.epoch]))[0]
        turn = inertial_to_teme("GCRF", at) @ start.T
        return (
            np.einsum("nij,nj->ni", turn, state[:, :3]),
            np.einsum("nij,nj->ni", turn, state[:, 3:]),
        )


def propagated(
    name: str,
    state: StateVector,
    span: tuple[float, float],
    spacecraft: Spacecraft,
    forces: Forces,
) -> NumericalTrack:
    """The track over at least a span (instants, s), the same object for as long as that will do.

    Integration costs half a second a day, and a plan asks again and again as it rolls forward; so
    spans are rounded out to quarters of a day, and the last ``MOST_KEPT`` tracks are kept.
    """
    low = state.epoch
    if span[0] < low:
        low = float(np.floor(span[0] / ROUNDED_TO_S)) * ROUNDED_TO_S
    high = float(np.ceil(span[1] / ROUNDED_TO_S)) * ROUNDED_TO_S
    if span[0] > state.epoch + MAX_SPAN_S or span[1] < state.epoch - MAX_SPAN_S:
        low = high = state.epoch  # no state that is asked for can be had
    return _kept(name, state, (low, max(high, low)), spacecraft, forces)


@lru_cache(maxsize=MOST_KEPT)
def _kept(
    name: str,
    state: StateVector,
    span: tuple[float, float],
    spacecraft: Spacecraft,
    forces: Forces,
) -> NumericalTrack:
    return NumericalTrack(name, state, span, spacecraft, forces)


def _between(nodes: FloatArray) -> FloatArray:
    """The integrator's own nodes with three more between each two: perigees fall there too."""
    fractions = np.array([0.0, 0.25, 0.5, 0.75])
    inner = nodes[:-1, None] + np.diff(nodes)[:, None] * fractions
    return np.append(inner.ravel(), nodes[-1])
