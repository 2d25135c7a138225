"""The Moon as seen from the Earth: good enough to pull at satellites and to light the night.

Source: Montenbruck and Gill, *Satellite Orbits*, section 3.3.2 (after Brown's theory): some minutes
of arc in direction and 500 km in distance. The mean equator and equinox of date are meant; TEME
differs by nutation, at most 20 seconds of arc.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.instants import EPOCH_JULIAN_DAY, tt_julian
from contactd.core.orbit.sun import sun_position_km

FloatArray = NDArray[np.float64]

_ARCSECOND: Final = np.pi / 180.0 / 3600.0

# Amplitude (arcsec) and multiples of l, l', F, D.
_LONGITUDE: Final = (
    (22640, 1, 0, 0, 0), (769, 2, 0, 0, 0), (-4586, 1, 0, 0, -2), (2370, 0, 0, 0, 2),
    (-668, 0, 1, 0, 0), (-412, 0, 0, 2, 0), (-212, 2, 0, 0, -2), (-206, 1, 1, 0, -2),
    (192, 1, 0, 0, 2), (-165, 0, 1, 0, -2), (148, 1, -1, 0, 0), (-125, 0, 0, 0, 1),
    (-110, 1, 1, 0, 0), (-55, 0, 0, 2, -2),
)  # fmt: skip
_LATITUDE: Final = (
    (-526, 0, 0, 1, -2), (44, 1, 0, 1, -2), (-31, -1, 0, 1, -2), (-25, -2, 0, 1, 0),
    (-23, 0, 1, 1, -2), (21, -1, 0, 1, 0), (11, 0, -1, 1, -2),
)  # fmt: skip
_DISTANCE: Final = (
    (-20905, 1, 0, 0, 0), (-3699, -1, 0, 0, 2), (-2956, 0, 0, 0, 2), (-570, 2, 0, 0, 0),
    (246, 2, 0, 0, -2), (-205, 0, 1, 0, -2), (-171, 1, 0, 0, 2), (-152, 1, 1, 0, -2),
)  # fmt: skip


def moon_position_km(instants: ArrayLike) -> FloatArray:
    """Geocentric position of the Moon (km), shape ``[..., 3]``, at instants ``[...]`` (s)."""
    whole, fraction = tt_julian(np.asarray(instants, dtype=np.float64))
    t = ((whole - EPOCH_JULIAN_DAY) + fraction) / 36_525.0
    mean = np.radians(218.31617 + 481267.88088 * t)
    angles = (
        np.radians(134.96292 + 477198.86753 * t),
        np.radians(357.52543 + 35999.04944 * t),
        np.radians(93.27283 + 483202.01873 * t),
        np.radians(297.85027 + 445267.11135 * t),
    )
    longitude = mean + _sum(_LONGITUDE, angles, np.sin) * _ARCSECOND
    _, sun_anomaly, node_distance, _ = angles
    argument = (
        node_distance
        + (longitude - mean)
        + _ARCSECOND * (412 * np.sin(2 * node_distance) + 541 * np.sin(sun_anomaly))
    )
    latitude = (18520 * np.sin(argument) + _sum(_LATITUDE, angles, np.sin)) * _ARCSECOND
    distance_km = 385_000.0 + _sum(_DISTANCE, angles, np.cos)
    obliquity = np.radians(23.43929111 - 0.0130042 * t)
    x = np.cos(latitude) * np.cos(longitude)
    y = np.cos(latitude) * np.sin(longitude)
    z = np.sin(latitude)
    return np.stack(
        [
            distance_km * x,
            distance_km * (np.cos(obliquity) * y - np.sin(obliquity) * z),
            distance_km * (np.sin(obliquity) * y + np.cos(obliquity) * z),
        ],
        axis=-1,
    )


def moon_lit_fraction(instants: ArrayLike) -> FloatArray:
    """Lit part of the Moon's disc, 0 (new) to 1 (full), shape ``[...]``.

    Source: Meeus, *Astronomical Algorithms*, 2nd ed., equations 48.1 to 48.3.
    """
    moon, sun = moon_position_km(instants), sun_position_km(instants)
    to_sun, to_earth = sun - moon, -moon
    cosine = np.einsum("...i,...i->...", to_sun, to_earth) / (
        np.linalg.norm(to_sun, axis=-1) * np.linalg.norm(to_earth, axis=-1)
    )
    return np.asarray((1.0 + cosine) / 2.0, dtype=np.float64)


def _sum(
    terms: tuple[tuple[int, int, int, int, int], ...],
    angles: tuple[FloatArray, FloatArray, FloatArray, FloatArray],
    function: np.ufunc,
) -> FloatArray:
    total = np.zeros_like(angles[0])
    for amplitude, *multiples in terms:
        angle = sum(k * a for k, a in zip(multiples, angles, strict=True) if k)
        total = total + amplitude * function(angle)
    return total
