"""What a station's antenna has to do to follow a target: angles, their rates, range, the Sun."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.ground.look import east_north_up, geodetic_to_fixed
from contactd.core.ground.refraction import refraction_deg
from contactd.core.ground.station import Station
from contactd.core.orbit.frames import teme_to_fixed
from contactd.core.orbit.sun import sun_position_fixed_km
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sight:
    """A target as a station sees it; each attribute has shape ``[n]`` unless another is given.

    Attributes:
        azimuth_deg: from north through east, 0 to 360.
        elevation_deg: geometric.
        pointing_elevation_deg: where to point: with refraction if the station asks for it.
        azimuth_rate_deg_s, elevation_rate_deg_s: of the geometric direction.
        range_km, range_rate_km_s: slant range, and its rate, positive when receding.
        toward: unit vectors east, north, up from the station to the target, ``[n, 3]``.
        target_fixed_km: the target's Earth-fixed position, ``[n, 3]``.
    """

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    pointing_elevation_deg: FloatArray
    azimuth_rate_deg_s: FloatArray
    elevation_rate_deg_s: FloatArray
    range_km: FloatArray
    range_rate_km_s: FloatArray
    toward: FloatArray
    target_fixed_km: FloatArray


def sight(track: Track, station: Station, instants: ArrayLike) -> Sight:
    """A track as a station sees it at instants ``[n]`` (s); NaN where the track has no states.

    Geometric: no light time, no aberration.
    """
    at = np.atleast_1d(np.asarray(instants, dtype=np.float64))
    position, velocity = teme_to_fixed(at, *track.states(at))
    axes = east_north_up(station.latitude_deg, station.longitude_deg)
    away = (position - _foot(station)) @ axes.T
    moving = velocity @ axes.T
    east, north, up = away.T
    level_square = east * east + north * north
    level = np.sqrt(level_square)
    range_km = np.sqrt(level_square + up * up)
    with np.errstate(divide="ignore", invalid="ignore"):
        range_rate = np.einsum("ni,ni->n", away, moving) / range_km
        azimuth_rate = (north * moving[:, 0] - east * moving[:, 1]) / level_square
        elevation_rate = (moving[:, 2] - up / range_km * range_rate) / level
    elevation = np.degrees(np.arctan2(up, level))
    seen = elevation + refraction_deg(elevation) if station.refraction else elevation
    return Sight(
        np.degrees(np.arctan2(east, north)) % 360.0,
        elevation,
        seen,
        np.degrees(azimuth_rate),
        np.degrees(elevation_rate),
        range_km,
        range_rate,
        away / range_km[:, None],
        position,
    )


def sun_separation_deg(station: Station, seen: Sight, instants: ArrayLike) -> FloatArray:
    """Angle (deg) between the target and the Sun's centre, seen from the station, ``[n]``."""
    at = np.atleast_1d(np.asarray(instants, dtype=np.float64))
    axes = east_north_up(station.latitude_deg, station.longitude_deg)
    to_sun = (sun_position_fixed_km(at) - _foot(station)) @ axes.T
    to_sun /= np.linalg.norm(to_sun, axis=1, keepdims=True)
    return angle_deg(seen.toward, to_sun)


def nadir_angle_deg(station: Station, seen: Sight) -> FloatArray:
    """Angle (deg) at the target between the Earth's centre and the station, ``[n]``.

    It is the aspect angle of an antenna that points down.
    """
    return angle_deg(-seen.target_fixed_km, _foot(station) - seen.target_fixed_km)


def angle_deg(first: FloatArray, second: FloatArray) -> FloatArray:
    """Angle (deg) between vectors ``[n, 3]``, exact for small angles too."""
    cross = np.linalg.norm(np.cross(first, second), axis=-1)
    dot = np.einsum("...i,...i->...", first, second)
    return np.asarray(np.degrees(np.arctan2(cross, dot)), dtype=np.float64)


def _foot(station: Station) -> FloatArray:
    return geodetic_to_fixed(station.latitude_deg, station.longitude_deg, station.altitude_m)
