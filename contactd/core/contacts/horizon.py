"""How far a satellite stands above a station's horizon, as one smooth number to find roots of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.ground.look import (
    WGS84_RADIUS_KM,
    east_north_up,
    geodetic_to_fixed,
    mask_elevation_deg,
)
from contactd.core.ground.refraction import true_elevation_deg
from contactd.core.ground.station import Station

FloatArray = NDArray[np.float64]

# Geocentric and geodetic vertical differ by up to 0.19°; a degree covers that and the oblateness.
_SLACK_RAD = np.radians(1.0)


@dataclass(frozen=True)
class Horizon:
    """A station's horizon: flat at one elevation, or a mask of straight pieces.

    Attributes:
        foot_km, axes: Earth-fixed place, and east, north, up as rows.
        flat_deg: the lowest geometric elevation (deg) of the horizon; all of it without a mask.
        corners_deg: azimuths (deg) where the mask bends; empty for a flat horizon.
        least_deg: nothing below this counts, whatever the mask says.

    A station that asks for refraction states its mask and elevations as seen; each stands for the
    geometric elevation that is seen there.
    """

    station: Station
    foot_km: FloatArray
    axes: FloatArray
    flat_deg: float
    corners_deg: FloatArray
    least_deg: float

    @property
    def is_flat(self) -> bool:
        """Whether the horizon is the same at every azimuth."""
        return not len(self.corners_deg)

    def local(self, position: FloatArray, velocity: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Away from the station along east, north, up: km and km/s, ``[n, 3]``."""
        return (position - self.foot_km) @ self.axes.T, velocity @ self.axes.T

    def height(self, position: FloatArray, velocity: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Sine of the elevation and its rate (1/s) at Earth-fixed states, shape ``[n]``."""
        away, moving = self.local(position, velocity)
        range_km = np.sqrt(np.einsum("ni,ni->n", away, away))
        sine = away[:, 2] / range_km
        rate = (moving[:, 2] - sine * np.einsum("ni,ni->n", away, moving) / range_km) / range_km
        return sine, rate

    def clearance(
        self, position: FloatArray, velocity: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """How far above the horizon, and its rate per second: positive means in view.

        In sines of elevation for a flat horizon, in radians for a mask.
        """
        if self.is_flat:
            sine, rate = self.height(position, velocity)
            return sine - np.sin(np.radians(self.flat_deg)), rate
        away, moving = self.local(position, velocity)
        east, north, up = away.T
        level_square = east * east + north * north
        level = np.sqrt(level_square)
        range_square = level_square + up * up
        with np.errstate(divide="ignore", invalid="ignore"):
            along = (east * moving[:, 0] + north * moving[:, 1]) / level
            rise = (level * moving[:, 2] - up * along) / range_square
            turn = (north * moving[:, 0] - east * moving[:, 1]) / level_square
        azimuth = np.degrees(np.arctan2(east, north)) % 360.0
        elevation = np.arctan2(up, level)
        slope = self._mask_slope(azimuth) * np.where(level > 0.0, turn, 0.0)
        return (
            elevation - np.radians(self.mask_deg(azimuth)),
            np.where(level > 0.0, rise, 0.0) - slope,
        )

    def mask_deg(self, azimuth_deg: FloatArray) -> FloatArray:
        """Geometric elevation (deg) of the horizon at azimuths (deg)."""
        seen = np.maximum(mask_elevation_deg(self.station, azimuth_deg), self.least_deg)
        return true_elevation_deg(seen) if self.station.refraction else seen

    def piece(self, position: FloatArray) -> NDArray[np.intp]:
        """Number of the mask's straight piece that each target is seen over, ``[n]``."""
        away = (position - self.foot_km) @ self.axes.T
        azimuth_deg = np.degrees(np.arctan2(away[:, 0], away[:, 1])) % 360.0
        # The piece across north has one number, not two.
        number = np.searchsorted(self.corners_deg, azimuth_deg, side="right")
        return number % max(len(self.corners_deg), 1)

    def _mask_slope(self, azimuth_deg: FloatArray) -> FloatArray:
        step = 1e-4
        return (self.mask_deg(azimuth_deg + step) - self.mask_deg(azimuth_deg - step)) / (2 * step)

    def reach_rad(self, radius_km: FloatArray) -> FloatArray:
        """Greatest angle (rad) at the Earth's centre between station and a target in view."""
        level = np.radians(self.flat_deg)
        home = float(np.linalg.norm(self.foot_km))
        share = np.minimum(max(home, WGS84_RADIUS_KM) * np.cos(level) / radius_km, 1.0)
        return np.asarray(np.arccos(share) - level + _SLACK_RAD, dtype=np.float64)


def horizon_of(station: Station, least_elevation_deg: float = -90.0) -> Horizon:
    """The horizon of a station, raised to at least ``least_elevation_deg``."""
    least = max(station.least_elevation_deg, least_elevation_deg)
    corners = np.zeros(0)
    lowest = least
    if station.mask:
        points = np.array(station.mask, dtype=np.float64)
        lowest = max(least, float(points[:, 1].min()))
        if float(points[:, 1].max()) > lowest:
            corners = _corners(points, least)
    return Horizon(
        station=station,
        foot_km=geodetic_to_fixed(station.latitude_deg, station.longitude_deg, station.altitude_m),
        axes=east_north_up(station.latitude_deg, station.longitude_deg),
        flat_deg=float(true_elevation_deg(lowest)) if station.refraction else lowest,
        corners_deg=corners,
        least_deg=least,
    )


def _corners(points: FloatArray, least: float) -> FloatArray:
    """Azimuths where the mask bends: its points, and where it comes up through the least."""
    azimuth = np.concatenate([points[:, 0], points[:1, 0] + 360.0])
    elevation = np.concatenate([points[:, 1], points[:1, 1]])
    below = elevation < least
    change = np.flatnonzero(below[1:] != below[:-1])
    share = (least - elevation[change]) / (elevation[change + 1] - elevation[change])
    crossings = azimuth[change] + share * (azimuth[change + 1] - azimuth[change])
    return distinct(np.concatenate([azimuth[:-1], crossings]) % 360.0)


def distinct(values: FloatArray) -> FloatArray:
    """The values in ascending order, each once.

    What ``np.unique`` gives; it hashes, which takes longer, and imports masked arrays first.
    """
    ascending = np.sort(values)
    first = np.concatenate([[True], ascending[1:] != ascending[:-1]])
    return np.asarray(ascending[first], dtype=np.float64)
