"""What a station would see and measure of a target that runs early or late on its track.

An offset d (s, positive: early) means the position that the track gives for t + d, seen from the
Earth as it is turned at t.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.ground.doppler import SPEED_OF_LIGHT_KM_S
from contactd.core.ground.look import east_north_up, geodetic_to_fixed
from contactd.core.ground.station import Station
from contactd.core.orbit.frames import greenwich_mean_sidereal_angle, teme_to_fixed
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

_LIGHT_TIME_ROUNDS = 3


@dataclass(frozen=True, slots=True)
class Seen:
    """What is seen at instants of reception, each ``[n]``.

    Attributes:
        range_km: the way of the light, from the target at emission to the station at reception.
        range_rate_km_s: its rate, positive when receding.
        direction: unit vectors east, north, up, ``[n, 3]``.
        emitted: instants (s) of emission.
    """

    range_km: FloatArray
    range_rate_km_s: FloatArray
    direction: FloatArray
    emitted: FloatArray

    @property
    def azimuth_deg(self) -> FloatArray:
        """From north through east, 0 to 360."""
        east, north = self.direction[:, 0], self.direction[:, 1]
        return np.asarray(np.degrees(np.arctan2(east, north)) % 360.0, dtype=np.float64)

    @property
    def elevation_deg(self) -> FloatArray:
        """Geometric, above the plane normal to the ellipsoid's vertical."""
        up = np.clip(self.direction[:, 2], -1.0, 1.0)
        return np.asarray(np.degrees(np.arcsin(up)), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Sightline:
    """From one station to one track."""

    track: Track
    station: Station

    def seen(self, at: FloatArray, offset_s: ArrayLike = 0.0) -> Seen:
        """What is seen at instants of reception ``[n]`` (s) with offsets (s) that fit them.

        NaN where the track has no states.
        """
        at = np.asarray(at, dtype=np.float64)
        offsets = np.asarray(offset_s, dtype=np.float64)
        foot, moving, turn = self._station(at)
        emitted = at.copy()
        for _ in range(_LIGHT_TIME_ROUNDS):
            position, velocity = self.track.states(emitted + offsets)
            away = position - foot
            range_km = np.linalg.norm(away, axis=1)
            emitted = at - range_km / SPEED_OF_LIGHT_KM_S
        line = away / range_km[:, None]
        towards = np.einsum("ni,ni->n", line, velocity)
        # By the instant of reception: the target moves through less time while it recedes.
        rate = (towards - np.einsum("ni,ni->n", line, moving)) / (
            1.0 + towards / SPEED_OF_LIGHT_KM_S
        )
        return Seen(range_km, rate, np.einsum("nij,nj->ni", turn, line), emitted)

    def sin_elevation(self, at: FloatArray, offset_s: ArrayLike) -> FloatArray:
        """Sine of the geometric elevation at instants ``[n]`` (s), light time left out."""
        at = np.asarray(at, dtype=np.float64)
        offsets = np.broadcast_to(np.asarray(offset_s, dtype=np.float64), at.shape)
        position, _ = teme_to_fixed(at, *self.track.states(at + offsets))
        place = self.station
        away = position - geodetic_to_fixed(
            place.latitude_deg, place.longitude_deg, place.altitude_m
        )
        up = east_north_up(place.latitude_deg, place.longitude_deg)[2]
        return np.asarray(away @ up / np.linalg.norm(away, axis=1), dtype=np.float64)

    def _station(self, at: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The station's position (km), velocity (km/s) in TEME, and the turn to its own axes."""
        place = self.station
        fixed = geodetic_to_fixed(place.latitude_deg, place.longitude_deg, place.altitude_m)
        angle, rate = greenwich_mean_sidereal_angle(at)
        sine, cosine = np.sin(angle), np.cos(angle)
        zero, one = np.zeros_like(sine), np.ones_like(sine)
        spin = np.stack(
            [
                np.stack([cosine, -sine, zero], axis=-1),
                np.stack([sine, cosine, zero], axis=-1),
                np.stack([zero, zero, one], axis=-1),
            ],
            axis=-2,
        )
        foot = spin @ fixed
        moving = np.stack([-rate * foot[:, 1], rate * foot[:, 0], zero], axis=-1)
        axes = east_north_up(place.latitude_deg, place.longitude_deg)
        return foot, moving, axes @ np.swapaxes(spin, -1, -2)
