"""A track between two instants as quintic polynomials in the Earth-fixed frame.

A satellite's path is smooth, so states at nodes two fifths of a radian apart say all about what
lies between: position, velocity and acceleration at both ends of a segment fix a polynomial of
degree five (Hermite), good to metres. Stations then ask the polynomials, and the propagator only
for the last, exact step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.orbit.frames import greenwich_mean_sidereal_angle, teme_to_fixed
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

ANGLE_PER_STEP_RAD = 0.4
LONGEST_STEP_S = 1_200.0
MOST_NODES = 5_000_000
EARTH_RATE_RAD_S = 7.292115146706979e-5
MU_KM3_S2 = 398_600.4418
_J2 = 1.08262668e-3
_EARTH_RADIUS_KM = 6378.137
_HALF_DIFFERENCE_S = 0.25


@dataclass(frozen=True, slots=True)
class Motion:
    """Segments of equal length that follow one track without a gap.

    Attributes:
        start, step_s: the first node's instant (s) and the distance between nodes.
        coefficients: of ``sum(c[k] * u**k)`` with u from 0 to 1 in each segment, in km, shape
            ``[6, segments, 3]``.
    """

    track: Track
    start: float
    step_s: float
    coefficients: FloatArray

    @property
    def segments(self) -> int:
        """How many segments there are."""
        return int(self.coefficients.shape[1])

    @property
    def is_whole(self) -> bool:
        """Whether the track had a state at every node."""
        return bool(np.isfinite(self.coefficients).all())

    @property
    def track_is_slow(self) -> bool:
        """Whether turning points are so flat that only the propagator can place them."""
        return self.step_s > 0.5 * LONGEST_STEP_S or _is_deep_space(self.track)

    @property
    def end(self) -> float:
        """The last node's instant (s)."""
        return self.start + self.step_s * self.segments

    def states(self, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Earth-fixed positions (km) and velocities (km/s) from the polynomials, ``[n, 3]``."""
        along = (instants - self.start) / self.step_s
        index = np.minimum(np.maximum(along.astype(np.int64), 0), self.segments - 1)
        u = (along - index)[:, None]
        chosen = self.coefficients.take(index, axis=1)
        position = chosen[5]
        slope = np.zeros_like(position)
        for coefficient in chosen[4::-1]:  # Horner's rule, for the slope as well
            slope *= u
            slope += position
            position *= u
            position += coefficient
        slope /= self.step_s
        return position, slope

    def exact_states(self, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Earth-fixed positions and velocities from the propagator itself, ``[n, 3]``."""
        return teme_to_fixed(instants, *self.track.states(instants))


def step_of(fastest_rate_rad_s: float, start: float, end: float) -> tuple[float, int]:
    """Seconds between nodes, and how many segments there are between two instants.

    Raises:
        ValueError: if there would be more than five million.
    """
    step_s = min(ANGLE_PER_STEP_RAD / fastest_rate_rad_s, LONGEST_STEP_S)
    segments = max(1, math.ceil((end - start) / step_s))
    if segments > MOST_NODES:
        raise ValueError(f"{segments} nodes are too many; predict a shorter span")
    return (end - start) / segments, segments


def follow(track: Track, start: float, end: float) -> Motion:
    """The motion of a track over ``[start, end]``, which must lie within its validity.

    Raises:
        ValueError: if the span would take more than five million nodes.
    """
    step_s, segments = step_of(track.fastest_rate_rad_s, start, end)
    instants = start + step_s * np.arange(segments + 1, dtype=np.float64)
    instants[-1] = end
    position, velocity = _node_states(track, instants)
    acceleration = earth_acceleration(position)
    angle, rate = greenwich_mean_sidereal_angle(instants)
    return Motion(
        track,
        start,
        step_s,
        _quintics(step_s, *_fixed(angle, rate, position, velocity, acceleration)),
    )


def _node_states(track: Track, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
    """States in TEME whose velocity is the slope of the position.

    SDP4's printed velocity leaves out the rates of the lunar and solar terms and differs from the
    slope of its own position by up to 2 m/s, which would bend the segments by kilometres.
    """
    position, velocity = track.states(instants)
    if _is_deep_space(track):
        before = instants - _HALF_DIFFERENCE_S
        after = instants + _HALF_DIFFERENCE_S
        slope = (track.states(after)[0] - track.states(before)[0]) / (after - before)[:, None]
        velocity = np.where(np.isfinite(slope), slope, velocity)
    return position, velocity


def _is_deep_space(track: Track) -> bool:
    return isinstance(track, Sgp4Track) and track.is_deep_space


def earth_acceleration(position_km: FloatArray) -> FloatArray:
    """Acceleration (km/s²) by the Earth's mass and oblateness at inertial positions ``[n, 3]``.

    Source: Vallado, *Fundamentals of Astrodynamics and Applications*, section 8.6 (J2).
    """
    square = np.einsum("ni,ni->n", position_km, position_km)
    radius = np.sqrt(square)
    z_share = position_km[:, 2] ** 2 / square
    oblate = 1.5 * _J2 * _EARTH_RADIUS_KM**2 / square
    level = -MU_KM3_S2 / (square * radius)
    result = np.empty_like(position_km)
    across = level * (1.0 + oblate * (1.0 - 5.0 * z_share))
    result[:, 0] = across * position_km[:, 0]
    result[:, 1] = across * position_km[:, 1]
    result[:, 2] = level * (1.0 + oblate * (3.0 - 5.0 * z_share)) * position_km[:, 2]
    return result


def rotating_acceleration(position_km: FloatArray, velocity_km_s: FloatArray) -> FloatArray:
    """Acceleration (km/s²) as the rotating Earth sees it, at Earth-fixed states ``[n, 3]``."""
    push = earth_acceleration(position_km)
    rate = EARTH_RATE_RAD_S
    push[:, 0] += 2.0 * rate * velocity_km_s[:, 1] + rate * rate * position_km[:, 0]
    push[:, 1] += -2.0 * rate * velocity_km_s[:, 0] + rate * rate * position_km[:, 1]
    return push


def _fixed(
    angle: FloatArray,
    rate: FloatArray,
    position: FloatArray,
    velocity: FloatArray,
    acceleration: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Position, velocity and acceleration as the rotating Earth sees them."""
    sine, cosine = np.sin(angle), np.cos(angle)

    def turned(vector: FloatArray) -> FloatArray:
        x, y = vector[:, 0], vector[:, 1]
        return np.stack([cosine * x + sine * y, cosine * y - sine * x, vector[:, 2]], axis=-1)

    place, speed, push = turned(position), turned(velocity), turned(acceleration)
    speed[:, 0] += rate * place[:, 1]
    speed[:, 1] -= rate * place[:, 0]
    push[:, 0] += 2.0 * rate * speed[:, 1] + rate * rate * place[:, 0]
    push[:, 1] += -2.0 * rate * speed[:, 0] + rate * rate * place[:, 1]
    return place, speed, push


def _quintics(step_s: float, place: FloatArray, speed: FloatArray, push: FloatArray) -> FloatArray:
    """Coefficients ``[6, segments, 3]`` of the quintic Hermite segments between nodes."""
    speed = speed * step_s
    push = push * (step_s * step_s)
    gap = place[1:] - place[:-1] - speed[:-1] - 0.5 * push[:-1]
    turn = speed[1:] - speed[:-1] - push[:-1]
    bend = push[1:] - push[:-1]
    return np.stack(
        [
            place[:-1],
            speed[:-1],
            0.5 * push[:-1],
            10.0 * gap - 4.0 * turn + 0.5 * bend,
            -15.0 * gap + 7.0 * turn - bend,
            6.0 * gap - 3.0 * turn + 0.5 * bend,
        ]
    )
