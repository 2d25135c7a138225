"""Look angles: where a station has to point, and what its horizon hides.

Vectors are Earth-fixed and rotate with the Earth, so that a velocity in that frame is what a
station on the ground sees.

Sources: the topocentric south-east-zenith reduction as in Vallado, *Fundamentals of Astrodynamics
and Applications*, algorithm 27 (RAZEL), written here with east, north and up; WGS 84 ellipsoid:
NGA.STND.0036.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.ground.station import Station

FloatArray = NDArray[np.float64]

WGS84_RADIUS_KM = 6378.137
WGS84_FLATTENING = 1.0 / 298.257223563


@dataclass(frozen=True, slots=True)
class Look:
    """What a station sees of a target; each attribute has the shape of the instants given.

    Attributes:
        azimuth_deg: from north through east, 0 to 360 (0 where it has no meaning, overhead).
        elevation_deg: geometric, above the plane normal to the ellipsoid's vertical.
        range_km, range_rate_km_s: slant range and its rate, positive when receding.
        elevation_rate_deg_s: positive when rising.
    """

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    range_km: FloatArray
    range_rate_km_s: FloatArray
    elevation_rate_deg_s: FloatArray


def geodetic_to_fixed(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, altitude_m: ArrayLike = 0.0
) -> FloatArray:
    """Earth-fixed positions (km), shape ``[..., 3]``, of WGS 84 geodetic coordinates ``[...]``."""
    latitude = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    longitude = np.radians(np.asarray(longitude_deg, dtype=np.float64))
    altitude_km = np.asarray(altitude_m, dtype=np.float64) / 1000.0
    squash = (1.0 - WGS84_FLATTENING) ** 2
    sine, cosine = np.sin(latitude), np.cos(latitude)
    normal_km = WGS84_RADIUS_KM / np.sqrt(cosine * cosine + squash * sine * sine)
    across_km = (normal_km + altitude_km) * cosine
    return np.stack(
        np.broadcast_arrays(
            across_km * np.cos(longitude),
            across_km * np.sin(longitude),
            (normal_km * squash + altitude_km) * sine,
        ),
        axis=-1,
    ).astype(np.float64)


def east_north_up(latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Unit vectors east, north and up in the Earth-fixed frame, as the rows of a ``[3, 3]``.

    At a pole north is taken along the longitude given, as geodesy does.
    """
    latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
    sin_lat, cos_lat = np.sin(latitude), np.cos(latitude)
    sin_lon, cos_lon = np.sin(longitude), np.cos(longitude)
    return np.array(
        [
            [-sin_lon, cos_lon, 0.0],
            [-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat],
            [cos_lat * cos_lon, cos_lat * sin_lon, sin_lat],
        ]
    )


def look(station: Station, position_fixed_km: ArrayLike, velocity_fixed_km_s: ArrayLike) -> Look:
    """Look angles from a station to Earth-fixed states.

    Args:
        station: where it is seen from.
        position_fixed_km: positions, shape ``[..., 3]``.
        velocity_fixed_km_s: velocities in the rotating frame, same shape.
    """
    axes = east_north_up(station.latitude_deg, station.longitude_deg)
    foot = geodetic_to_fixed(station.latitude_deg, station.longitude_deg, station.altitude_m)
    away = (np.asarray(position_fixed_km, dtype=np.float64) - foot) @ axes.T
    moving = np.asarray(velocity_fixed_km_s, dtype=np.float64) @ axes.T
    east, north, up = away[..., 0], away[..., 1], away[..., 2]
    level_km = np.hypot(east, north)
    range_km = np.hypot(level_km, up)
    with np.errstate(divide="ignore", invalid="ignore"):
        range_rate = np.einsum("...i,...i->...", away, moving) / range_km
        # d(el)/dt from d(sin el)/dt; overhead, where cos(el) is 0, the rate has no sign.
        elevation_rate = (moving[..., 2] - up / range_km * range_rate) / level_km
    return Look(
        azimuth_deg=np.degrees(np.arctan2(east, north)) % 360.0,
        elevation_deg=np.degrees(np.arctan2(up, level_km)),
        range_km=range_km,
        range_rate_km_s=range_rate,
        elevation_rate_deg_s=np.where(level_km > 0.0, np.degrees(elevation_rate), 0.0),
    )


def mask_elevation_deg(station: Station, azimuth_deg: ArrayLike) -> FloatArray:
    """Elevation (deg) below which the station sees nothing at each azimuth (deg), same shape.

    The mask's points are joined by straight lines, closed across north, and nothing counts below
    the station's least elevation.
    """
    azimuth = np.asarray(azimuth_deg, dtype=np.float64)
    least = np.full(azimuth.shape, float(station.least_elevation_deg))
    if not station.mask:
        return least
    points = np.array(station.mask, dtype=np.float64)
    turn = np.array([360.0, 0.0])
    around = np.vstack([points[-1] - turn, points, points[0] + turn])
    horizon = np.interp(azimuth % 360.0, around[:, 0], around[:, 1])
    return np.asarray(np.maximum(least, horizon), dtype=np.float64)
