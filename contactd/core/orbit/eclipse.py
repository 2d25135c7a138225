"""Sunlight on a satellite: the Earth's shadow as cones of penumbra and umbra.

Seen from the satellite, the Sun is a disc of angular radius aS, the Earth one of aE, and their
centres are theta apart: penumbra where theta < aE + aS, umbra where theta < aE − aS.

Source: Montenbruck and Gill, *Satellite Orbits*, section 3.4.2 (geometry of a spherical Earth
without air). The Earth's radius is the equatorial one, so that shadow is entered up to a few
seconds early for low orbits over high latitudes.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.intervals import IntervalSet
from contactd.core.orbit.crossings import positive_intervals
from contactd.core.orbit.sun import sun_position_km
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

_Sign = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]

EARTH_RADIUS_KM: Final = 6378.137
SUN_RADIUS_KM: Final = 695_700.0
_SAMPLES_A_RADIAN: Final = 20.0
_LONGEST_SAMPLE_S: Final = 300.0


def shadow_angles_rad(
    position_km: ArrayLike, sun_km: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Angles (rad) seen from a satellite, each ``[n]``: theta, aE, aS as in the module's text.

    Args:
        position_km: of the satellite, shape ``[n, 3]``, in the same frame as ``sun_km``.
        sun_km: of the Sun, geocentric, shape ``[n, 3]``.
    """
    position = np.asarray(position_km, dtype=np.float64)
    to_sun = np.asarray(sun_km, dtype=np.float64) - position
    radius_km = np.linalg.norm(position, axis=-1)
    distance_km = np.linalg.norm(to_sun, axis=-1)
    cross = np.linalg.norm(np.cross(-position, to_sun), axis=-1)
    dot = np.einsum("...i,...i->...", -position, to_sun)
    return (
        np.arctan2(cross, dot),
        np.arcsin(np.minimum(EARTH_RADIUS_KM / radius_km, 1.0)),
        np.arcsin(SUN_RADIUS_KM / distance_km),
    )


def sunlit_fraction(instants: ArrayLike, position_km: ArrayLike) -> FloatArray:
    """Visible part of the Sun's disc, 0 (umbra) to 1 (full light), shape ``[n]``.

    Source: Montenbruck and Gill, equations 3.85 to 3.87 (overlap of two discs).
    """
    theta, earth, sun = shadow_angles_rad(position_km, sun_position_km(instants))
    with np.errstate(invalid="ignore", divide="ignore"):
        x = (theta**2 + sun**2 - earth**2) / (2 * theta)
        y = np.sqrt(np.maximum(sun**2 - x**2, 0.0))
        covered = (
            sun**2 * np.arccos(np.clip(x / sun, -1, 1))
            + earth**2 * np.arccos(np.clip((theta - x) / earth, -1, 1))
            - theta * y
        ) / (np.pi * sun**2)
    # Where the Earth looks smaller than the Sun (beyond 1.4 million km) it only dims it.
    inside = np.minimum(1.0, (earth / sun) ** 2)
    covered = np.where(theta >= earth + sun, 0.0, covered)
    covered = np.where(theta <= np.abs(earth - sun), inside, covered)
    return np.asarray(np.where(np.isnan(theta), np.nan, 1.0 - covered), dtype=np.float64)


def sunlit_intervals(track: Track, start: float, end: float) -> IntervalSet:
    """When all of the Sun is seen from the satellite: outside penumbra and umbra."""
    return _intervals(track, start, end, lambda theta, earth, sun: theta - (earth + sun))


def umbra_intervals(track: Track, start: float, end: float) -> IntervalSet:
    """When nothing of the Sun is seen from the satellite."""
    return _intervals(track, start, end, lambda theta, earth, sun: earth - sun - theta)


def _intervals(track: Track, start: float, end: float, sign: _Sign) -> IntervalSet:
    def quantity(at: FloatArray) -> FloatArray:
        position, _ = track.states(at)
        theta, earth, sun = shadow_angles_rad(position, sun_position_km(at))
        return sign(theta, earth, sun)

    step_s = min(1.0 / (_SAMPLES_A_RADIAN * track.fastest_rate_rad_s), _LONGEST_SAMPLE_S)
    return positive_intervals(quantity, track.validity.clip(start, end), step_s)
