"""The Sun as seen from the Earth: its place, its height over a station, and darkness there.

Positions refer to the true equator and equinox of date. TEME differs from it by the equation of
the equinoxes, at most 1.2 seconds of arc, which is far below the formula's own error.

Source: Meeus, *Astronomical Algorithms*, 2nd ed., chapter 25, lower accuracy: 0.01 degree in
longitude between 1900 and 2100.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.ground.look import look
from contactd.core.ground.station import Station
from contactd.core.instants import EPOCH_JULIAN_DAY, tt_julian
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.crossings import positive_intervals
from contactd.core.orbit.frames import teme_to_fixed

FloatArray = NDArray[np.float64]

ASTRONOMICAL_UNIT_KM: Final = 149_597_870.7
CIVIL_DUSK_DEG: Final = -6.0
"""Sun elevation at which civil twilight ends: common practice for seeing satellites."""

_SAMPLE_S: Final = 600.0


def sun_position_km(instants: ArrayLike) -> FloatArray:
    """Apparent geocentric position of the Sun (km), shape ``[..., 3]``, at instants ``[...]`` (s).

    Nutation and aberration are included; good to 0.01 degree and 1e-4 of the distance.
    """
    longitude, distance_au, obliquity = _apparent(np.asarray(instants, dtype=np.float64))
    distance_km = distance_au * ASTRONOMICAL_UNIT_KM
    return np.stack(
        [
            distance_km * np.cos(longitude),
            distance_km * np.sin(longitude) * np.cos(obliquity),
            distance_km * np.sin(longitude) * np.sin(obliquity),
        ],
        axis=-1,
    )


def _apparent(instants: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Apparent longitude (rad), distance (au) and true obliquity (rad)."""
    whole, fraction = tt_julian(instants)
    t = ((whole - EPOCH_JULIAN_DAY) + fraction) / 36_525.0
    mean_longitude = 280.46646 + (36000.76983 + 0.0003032 * t) * t
    anomaly = np.radians(357.52911 + (35999.05029 - 0.0001537 * t) * t)
    eccentricity = 0.016708634 - (0.000042037 + 0.0000001267 * t) * t
    centre = (
        (1.914602 - (0.004817 + 0.000014 * t) * t) * np.sin(anomaly)
        + (0.019993 - 0.000101 * t) * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    true_anomaly = anomaly + np.radians(centre)
    distance_au = 1.000001018 * (1 - eccentricity**2) / (1 + eccentricity * np.cos(true_anomaly))
    node = np.radians(125.04 - 1934.136 * t)
    longitude = np.radians(mean_longitude + centre - 0.00569 - 0.00478 * np.sin(node))
    obliquity = np.radians(
        23.43929111 - (46.8150 + (0.00059 - 0.001813 * t) * t) * t / 3600 + 0.00256 * np.cos(node)
    )
    return longitude, distance_au, obliquity


def sun_position_fixed_km(instants: ArrayLike) -> FloatArray:
    """The Sun's position (km) in the rotating Earth-fixed frame, shape ``[n, 3]``."""
    at = np.atleast_1d(np.asarray(instants, dtype=np.float64))
    position = sun_position_km(at)
    return teme_to_fixed(at, position, np.zeros_like(position))[0]


def sun_azimuth_elevation_deg(
    station: Station, instants: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Geometric azimuth and elevation (deg) of the Sun's centre at a station, each ``[n]``."""
    position = sun_position_fixed_km(instants)
    seen = look(station, position, np.zeros_like(position))
    return seen.azimuth_deg, seen.elevation_deg


def sun_elevation_deg(station: Station, instants: ArrayLike) -> FloatArray:
    """Geometric elevation (deg) of the Sun's centre at a station, shape ``[n]``."""
    return sun_azimuth_elevation_deg(station, instants)[1]


def dark_intervals(
    station: Station, spans: IntervalSet, sun_elevation_deg: float = CIVIL_DUSK_DEG
) -> IntervalSet:
    """When, within some spans, the Sun's centre stands below an elevation (deg) at a station.

    Args:
        sun_elevation_deg: −0.833 gives sunset to sunrise as almanacs print them, −6, −12 and −18
            the ends of civil, nautical and astronomical twilight. Geometric.
    """
    return positive_intervals(
        lambda at: sun_elevation_deg - sun_azimuth_elevation_deg(station, at)[1],
        spans,
        _SAMPLE_S,
    )
