"""Frames: from TEME of date, in which SGP4 speaks, to the Earth-fixed frame of the stations.

Sources: AIAA 2006-6753 appendix C for TEME → PEF → ITRF and the 1982 mean sidereal time; Bowring's
method as in Vallado, *Fundamentals of Astrodynamics and Applications*, for geodetic coordinates.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.ground.look import (
    WGS84_FLATTENING,
    WGS84_RADIUS_KM,
    geodetic_to_fixed,
    look,
)
from contactd.core.instants import DAY_S, EPOCH_JULIAN_DAY, ut1_julian

__all__ = [
    "fixed_to_geodetic",
    "geodetic_to_fixed",
    "greenwich_mean_sidereal_angle",
    "look",
    "polar_motion_matrix",
    "sidereal_angle_of",
    "teme_to_fixed",
]

FloatArray = NDArray[np.float64]

_CENTURY_DAYS = 36_525.0
_TURN = 2.0 * np.pi


def sidereal_angle_of(whole: ArrayLike, fraction: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Greenwich mean sidereal angle (rad, 0 to 2π) and its rate (rad/s) of a UT1 Julian date.

    Args:
        whole, fraction: the date in two parts, any shape; the split keeps nanoseconds.

    Source: Aoki et al. 1982, as in AIAA 2006-6753 appendix C.
    """
    day = np.asarray(whole, dtype=np.float64)
    part = np.asarray(fraction, dtype=np.float64)
    t = (day - EPOCH_JULIAN_DAY + part) / _CENTURY_DAYS
    seconds = 67310.54841 + (8640184.812866 + (0.093104 - 6.2e-6 * t) * t) * t
    rate = 8640184.812866 + (2.0 * 0.093104 - 3.0 * 6.2e-6 * t) * t
    turns = (day % 1.0 + part + seconds / DAY_S % 1.0) % 1.0
    rate_turns_per_day = 1.0 + rate / (DAY_S * _CENTURY_DAYS)
    return turns * _TURN, rate_turns_per_day * (_TURN / DAY_S)


def greenwich_mean_sidereal_angle(instants: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Greenwich mean sidereal angle (rad) and its rate (rad/s) at instants (s), same shape."""
    whole, fraction = ut1_julian(np.asarray(instants, dtype=np.float64))
    return sidereal_angle_of(whole, fraction)


def polar_motion_matrix(x_arcsec: float, y_arcsec: float) -> FloatArray:
    """Matrix ``[3, 3]`` that turns pseudo-Earth-fixed (PEF) vectors into ITRF ones.

    Args:
        x_arcsec, y_arcsec: coordinates of the pole, as IERS bulletins print them.
    """
    x, y = np.radians(np.array([x_arcsec, y_arcsec]) / 3600.0)
    sin_x, cos_x, sin_y, cos_y = np.sin(x), np.cos(x), np.sin(y), np.cos(y)
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cos_y, -sin_y], [0.0, sin_y, cos_y]])
    about_y = np.array([[cos_x, 0.0, sin_x], [0.0, 1.0, 0.0], [-sin_x, 0.0, cos_x]])
    return np.asarray(about_x @ about_y, dtype=np.float64)


def teme_to_fixed(
    instants: FloatArray,
    position_km: FloatArray,
    velocity_km_s: FloatArray,
    polar_motion_arcsec: tuple[float, float] | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Earth-fixed positions (km) and velocities in the rotating frame (km/s), each ``[n, 3]``.

    Args:
        instants: shape ``[n]`` (s).
        position_km, velocity_km_s: in TEME of date, shape ``[n, 3]``.
        polar_motion_arcsec: (x, y) of the pole, or None to leave it out (at most 15 m on ground).
    """
    angle, rate = greenwich_mean_sidereal_angle(instants)
    sine, cosine = np.sin(angle), np.cos(angle)
    position = _turned(cosine, sine, position_km)
    velocity = _turned(cosine, sine, velocity_km_s)
    velocity[..., 0] += rate * position[..., 1]
    velocity[..., 1] -= rate * position[..., 0]
    if polar_motion_arcsec is not None:
        wobble = polar_motion_matrix(*polar_motion_arcsec)
        position, velocity = position @ wobble.T, velocity @ wobble.T
    return position, velocity


def fixed_to_geodetic(position_fixed_km: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """WGS 84 latitude and longitude (deg, −180 to 180) and altitude (m) of positions ``[..., 3]``.

    Bowring's iteration from the parametric latitude; better than a micrometre within a few rounds
    from the ground to beyond the geostationary ring.
    """
    position = np.asarray(position_fixed_km, dtype=np.float64)
    x, y, z = position[..., 0], position[..., 1], position[..., 2]
    across = np.hypot(x, y)
    polar_km = WGS84_RADIUS_KM * (1.0 - WGS84_FLATTENING)
    first = WGS84_FLATTENING * (2.0 - WGS84_FLATTENING)
    second = first / (1.0 - first)
    parametric = np.arctan2(z * WGS84_RADIUS_KM, across * polar_km)
    latitude = parametric
    for _ in range(4):
        latitude = np.arctan2(
            z + second * polar_km * np.sin(parametric) ** 3,
            across - first * WGS84_RADIUS_KM * np.cos(parametric) ** 3,
        )
        parametric = np.arctan2((1.0 - WGS84_FLATTENING) * np.sin(latitude), np.cos(latitude))
    sine, cosine = np.sin(latitude), np.cos(latitude)
    # Along the ellipsoid's normal, which stays well-behaved at the poles.
    altitude_km = across * cosine + z * sine - WGS84_RADIUS_KM * np.sqrt(1.0 - first * sine * sine)
    return np.degrees(latitude), np.degrees(np.arctan2(y, x)), altitude_km * 1000.0


def _turned(cosine: FloatArray, sine: FloatArray, vector: FloatArray) -> FloatArray:
    """Vectors seen from a frame turned about z."""
    x, y, z = vector[..., 0], vector[..., 1], vector[..., 2]
    return np.stack([cosine * x + sine * y, cosine * y - sine * x, z], axis=-1)
