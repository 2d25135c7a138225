"""What a station sees of a whole set of motions at once: bounds of the elevation, not samples.

An offset d along the track means the place that the prediction has for t + d, seen from the Earth
as it is turned at t. Over a box of instants and offsets, T long and g wide, the sine of the
elevation lies between the least and the greatest at its corners, give or take

    M g²/8 + M_t T²/8,   M = A/q + 1.155 v²/q²   (M_t alike, as seen from the turning Earth)

with slant range q, speed v and acceleration A. Displacements across the track change it by at most

    s = (|(z - sin el u).R| R0 + |(z - sin el u).N| N0)/q + 0.577 D²/q²,   D = |(R0, N0)|

with the station's up z and the line of sight u. 1.155 and 0.577 are 2/√3 and 1/√3: the greatest
second derivative of the sine of an elevation by a displacement of one kilometre is 2/(√3 q²).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.horizon import Horizon
from contactd.core.contacts.motion import EARTH_RATE_RAD_S, MU_KM3_S2, Motion
from contactd.core.instants import DAY_S
from contactd.core.orbit.orbit_error import OrbitError

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

BEND = 2.0 / np.sqrt(3.0)
POLYNOMIAL_SLACK = 1e-5
"""What the polynomials may be off, as a sine: 5 m at 500 km."""
NEAREST_KM = 20.0
"""Nearer than this to a station nothing is bounded, and nothing certain."""
SPEED_SLACK = 1.05
_ACCELERATION_SLACK = 1.02  # the Earth's oblateness


@dataclass(frozen=True)
class View:
    """What stations see over boxes of instants and offsets, ``[n]`` each.

    Attributes:
        lowest, highest: bounds of the sine of the elevation without displacement across the track.
        across: how much that and the polynomials' own error may change it.
        azimuth_deg: at the boxes' corners, ``[4, n]``.
        moved_km: no place of the set is farther than this from the corners, seen across.
        level_km: least horizontal distance at the corners.
    """

    lowest: FloatArray
    highest: FloatArray
    across: FloatArray
    azimuth_deg: FloatArray
    moved_km: FloatArray
    level_km: FloatArray


class MotionSet:
    """All motions within an orbit's error around one nominal motion, seen from several stations.

    Args:
        motion: the nominal one, reaching as far beyond the instants asked for as the offsets do.
        horizons: the stations'.
        epoch: instant (s) that the error's age counts from.
    """

    def __init__(
        self, motion: Motion, horizons: Sequence[Horizon], error: OrbitError, epoch: float
    ) -> None:
        self.motion = motion
        self.error = error
        self.epoch = epoch
        self.foot_km = np.array([each.foot_km for each in horizons]).reshape(-1, 3)
        self.axes = np.array([each.axes for each in horizons]).reshape(-1, 3, 3)
        self.displacement_km = error.displacement_km
        self._drift = self._greatest_drift()

    def bounds_s(self, instants: FloatArray) -> FloatArray:
        """Along-track bounds E (s) at instants, ``[n]``."""
        return self.error.bounds_s(instants - self.epoch)

    def _greatest_drift(self) -> float:
        """Greatest rate (s/s) at which an offset of the set may change with time."""
        best = self.epoch + self.error.settled_s
        days = max(abs(self.motion.start - best), abs(self.motion.end - best)) / DAY_S
        error = self.error
        bound = error.per_day_s + days * error.per_day2_s
        centre = abs(error.centre[1]) + days * abs(error.centre[2])
        beyond = 1.5 if days * DAY_S > error.reliable_s else 1.0
        return (beyond * bound + centre) / DAY_S

    def states(self, instants: FloatArray, offsets_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Earth-fixed positions (km) and inertial velocities (km/s) in that frame, ``[n, 3]``."""
        position, velocity = self.motion.states(instants + offsets_s)
        velocity[:, 0] -= EARTH_RATE_RAD_S * position[:, 1]
        velocity[:, 1] += EARTH_RATE_RAD_S * position[:, 0]
        sine = np.sin(EARTH_RATE_RAD_S * offsets_s)
        cosine = np.cos(EARTH_RATE_RAD_S * offsets_s)
        return _eastward(sine, cosine, position), _eastward(sine, cosine, velocity)

    def view(self, instants: FloatArray, shares: FloatArray, station: IndexArray) -> View:
        """The stations' view over boxes.

        Args:
            instants: first and last of each box, ``[2, n]`` (s).
            shares: first and last offset of each box as shares of the bound, ``[2, n]``, −1 to 1.
            station: number of the horizon, ``[n]``.
        """
        n = len(station)
        at = instants[[0, 0, 1, 1]].ravel()
        ages = at - self.epoch
        bound = self.error.bounds_s(ages)
        offsets = self.error.centres_s(ages) + bound * shares[[0, 1, 0, 1]].ravel()
        position, velocity = self.states(at, offsets)
        which = np.tile(station, 4)
        axes = self.axes.take(which, axis=0)
        away = position - self.foot_km.take(which, axis=0)
        east, north, up = np.einsum("nij,nj->in", axes, away)
        range_km = np.sqrt(np.einsum("ni,ni->n", away, away))
        sine = up / range_km
        corners = sine.reshape(4, n)
        radius_km = np.sqrt(np.einsum("ni,ni->n", position, position))
        speed = np.sqrt(np.einsum("ni,ni->n", velocity, velocity)).reshape(4, n).max(axis=0)
        gap_s = bound.reshape(4, n).max(axis=0) * (shares[1] - shares[0])
        slack, moved = self._slack(
            instants[1] - instants[0],
            gap_s,
            speed * SPEED_SLACK,
            range_km.reshape(4, n).min(axis=0),
            radius_km.reshape(4, n),
        )
        across = np.full(n, POLYNOMIAL_SLACK)
        if self.displacement_km:
            moves = self._across(position, velocity, away, axes[:, 2], sine, range_km, radius_km)
            across += moves.reshape(4, n).max(axis=0)
        return View(
            lowest=corners.min(axis=0) - slack,
            highest=corners.max(axis=0) + slack,
            across=across,
            azimuth_deg=(np.degrees(np.arctan2(east, north)) % 360.0).reshape(4, n),
            moved_km=moved,
            level_km=np.hypot(east, north).reshape(4, n).min(axis=0),
        )

    def _slack(
        self,
        length_s: FloatArray,
        gap_s: FloatArray,
        speed: FloatArray,
        range_km: FloatArray,
        radius_km: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        """How far the sine may pass its corners, and the places those at the corners (km)."""
        rate = EARTH_RATE_RAD_S
        turning = speed * (1.0 + self._drift) + rate * radius_km.max(axis=0)
        moved = 0.5 * (speed * gap_s + turning * length_s) + self.displacement_km
        nearest = range_km - moved
        pull = _ACCELERATION_SLACK * MU_KM3_S2 / radius_km.min(axis=0) ** 2
        pull_seen = pull + 2.0 * rate * turning + rate**2 * radius_km.max(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            slack = (pull * gap_s**2 + pull_seen * length_s**2) / nearest
            slack += BEND * ((speed * gap_s) ** 2 + (turning * length_s) ** 2) / nearest**2
            slack = slack / 8.0
            if self.displacement_km:
                # The line of sight turns meanwhile, and with it what a displacement does.
                turned = moved - self.displacement_km
                turned *= BEND / nearest + 1.0 / radius_km.min(axis=0)
                slack += turned * self.displacement_km / nearest
        return np.where(nearest > NEAREST_KM, slack, np.inf), moved

    def _across(
        self,
        position: FloatArray,
        velocity: FloatArray,
        away: FloatArray,
        up: FloatArray,
        sine: FloatArray,
        range_km: FloatArray,
        radius_km: FloatArray,
    ) -> FloatArray:
        slope = (up - (sine / range_km)[:, None] * away) / range_km[:, None]
        normal = np.cross(position, velocity)
        radial = np.abs(np.einsum("ni,ni->n", slope, position)) / radius_km
        cross = np.abs(np.einsum("ni,ni->n", slope, normal))
        cross /= np.sqrt(np.einsum("ni,ni->n", normal, normal))
        second = BEND / 2.0 * (self.displacement_km / range_km) ** 2
        return np.asarray(
            radial * self.error.radial_km + cross * self.error.cross_track_km + second,
            dtype=np.float64,
        )


def _eastward(sine: FloatArray, cosine: FloatArray, vector: FloatArray) -> FloatArray:
    """Vectors turned about the Earth's axis towards the east."""
    turned = np.empty_like(vector)
    turned[:, 0] = cosine * vector[:, 0] - sine * vector[:, 1]
    turned[:, 1] = sine * vector[:, 0] + cosine * vector[:, 1]
    turned[:, 2] = vector[:, 2]
    return turned
