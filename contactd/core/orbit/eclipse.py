"""Sunlight on a satellite: the shadow of the Earth's ellipsoid, as cones of penumbra and umbra.

With the Earth's axis stretched by 1 / (1 − f) the ellipsoid is a sphere, and lines of sight stay
lines. Seen from the satellite, the Sun is then a disc of angular radius aS (stretched by 0.3 % at
most, which is left out), the Earth one of aE, and their centres are theta apart: penumbra where
theta < aE + aS, umbra where theta < aE − aS.

**What is certain.** In penumbra part of the Sun is seen: it is neither certainly light nor
certainly shadow. Light is certain where the whole disc stands clear of the ellipsoid raised by
``AIR_KM``, below which the air takes much of the light; shadow is certain where nothing of the disc
clears the ellipsoid lowered by ``GROUND_KM``; both with ``SUN_ERROR_RAD`` for the Sun's place and
its stretched disc. Light that the air refracts into the umbra (less than a hundredth of the Sun's)
counts as dark.

Sources: Montenbruck and Gill, *Satellite Orbits*, section 3.4.2 (cones over a sphere); the
stretched axis as in Vallado, *Fundamentals of Astrodynamics and Applications*, section 5.3 (sight
over an ellipsoid), both from memory; ``AIR_KM``: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.contacts.contact import Coverage
from contactd.core.ground.look import WGS84_FLATTENING
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.crossings import positive_intervals
from contactd.core.orbit.sun import sun_position_km
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

_Sign = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]

EARTH_RADIUS_KM: Final = 6378.137
SUN_RADIUS_KM: Final = 695_700.0
AIR_KM: Final = 20.0
"""Above it the air takes less than about a tenth of the Sun's light."""
GROUND_KM: Final = 0.5
"""The ground and the sea lie nowhere so far below the ellipsoid; the geoid does by 0.11 km."""
SUN_ERROR_RAD: Final = 2.2e-4
"""0.0117 degrees for the Sun's place (see :mod:`sun`), 0.0009 for the stretching of its disc."""
_STRETCH: Final = 1.0 / (1.0 - WGS84_FLATTENING)
_STRETCHED: Final = np.array([1.0, 1.0, _STRETCH])
_MOST_STRETCHED: Final = 1.004
_SAMPLES_A_RADIAN: Final = 20.0
_LONGEST_SAMPLE_S: Final = 300.0


def shadow_angles_rad(
    position_km: ArrayLike, sun_km: ArrayLike, raised_km: float = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Angles (rad) seen from a satellite, each ``[n]``: theta, aE, aS as in the module's text.

    Args:
        position_km: of the satellite, shape ``[n, 3]``, in TEME as ``sun_km``.
        sun_km: of the Sun, geocentric, shape ``[n, 3]``.
        raised_km: how much higher than the ellipsoid the Earth's limb is taken to be.
    """
    position = np.asarray(position_km, dtype=np.float64) * _STRETCHED
    to_sun = np.asarray(sun_km, dtype=np.float64) * _STRETCHED - position
    radius_km = np.linalg.norm(position, axis=-1)
    distance_km = np.linalg.norm(to_sun, axis=-1)
    cross = np.linalg.norm(np.cross(-position, to_sun), axis=-1)
    dot = np.einsum("...i,...i->...", -position, to_sun)
    return (
        np.arctan2(cross, dot),
        np.arcsin(np.minimum((EARTH_RADIUS_KM + raised_km) / radius_km, 1.0)),
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


def visible_part(x: float, y: float, z: float, sun_x: float, sun_y: float, sun_z: float) -> float:
    """As :func:`sunlit_fraction` for one place (km), in plain numbers: integrators ask one by one.

    Args:
        sun_x, sun_y, sun_z: the Sun's place (km), in the same frame.
    """
    if x * sun_x + y * sun_y + z * sun_z >= 0.0:
        return 1.0
    z, sun_z = z * _STRETCH, sun_z * _STRETCH
    dx, dy, dz = sun_x - x, sun_y - y, sun_z - z
    radius = math.sqrt(x * x + y * y + z * z)
    distance = math.sqrt(dx * dx + dy * dy + dz * dz)
    theta = math.acos(max(-1.0, min(1.0, -(x * dx + y * dy + z * dz) / (radius * distance))))
    earth = math.asin(min(EARTH_RADIUS_KM / radius, 1.0))
    sun = math.asin(SUN_RADIUS_KM / distance)
    if theta >= earth + sun:
        return 1.0
    if theta <= abs(earth - sun):
        return 1.0 - min(1.0, (earth / sun) ** 2)
    along = (theta * theta + sun * sun - earth * earth) / (2.0 * theta)
    across = math.sqrt(max(sun * sun - along * along, 0.0))
    covered = (
        sun * sun * math.acos(max(-1.0, min(1.0, along / sun)))
        + earth * earth * math.acos(max(-1.0, min(1.0, (theta - along) / earth)))
        - theta * across
    )
    return 1.0 - covered / (math.pi * sun * sun)


def sunlight(track: Track, start: float, end: float, moved_km: float = 0.0) -> Coverage:
    """When the satellite is in sunlight, between instants (s): see the module.

    Nominal is the middle of penumbra, where half of the Sun is seen.

    Args:
        moved_km: how far the satellite may be from the track: its line of sight to the limb moves
            by no more.
    """
    return Coverage(
        _intervals(track, start, end, lambda theta, earth, sun: theta - earth),
        _intervals(
            track, start, end,
            lambda theta, earth, sun: theta - (earth + sun) - SUN_ERROR_RAD,
            AIR_KM + _MOST_STRETCHED * moved_km,
        ),
        _intervals(
            track, start, end,
            lambda theta, earth, sun: theta - (earth - sun) + SUN_ERROR_RAD,
            -GROUND_KM - _MOST_STRETCHED * moved_km,
        ),
    )  # fmt: skip


def sunlit_intervals(track: Track, start: float, end: float) -> IntervalSet:
    """When all of the Sun is seen from the satellite: outside penumbra and umbra."""
    return _intervals(track, start, end, lambda theta, earth, sun: theta - (earth + sun))


def umbra_intervals(track: Track, start: float, end: float) -> IntervalSet:
    """When nothing of the Sun is seen from the satellite."""
    return _intervals(track, start, end, lambda theta, earth, sun: earth - sun - theta)


def _intervals(
    track: Track, start: float, end: float, sign: _Sign, raised_km: float = 0.0
) -> IntervalSet:
    def quantity(at: FloatArray) -> FloatArray:
        position, _ = track.states(at)
        theta, earth, sun = shadow_angles_rad(position, sun_position_km(at), raised_km)
        return sign(theta, earth, sun)

    step_s = min(1.0 / (_SAMPLES_A_RADIAN * track.fastest_rate_rad_s), _LONGEST_SAMPLE_S)
    return positive_intervals(quantity, track.validity.clip(start, end), step_s)
