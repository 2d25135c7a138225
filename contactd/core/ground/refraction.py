"""Refraction: how much higher than it is a target is seen through the air.

Geometric (true) elevation and apparent elevation differ by the refraction R: apparent = true + R.

Sources: Saemundsson's and Bennett's formulas, as in Meeus, *Astronomical Algorithms*, 2nd ed.,
chapter 16 (equations 16.4 and 16.3), with its factor for pressure and temperature. They hold for
visible light. Radio waves are bent a little more in moist air, by some 0.1 degree at the horizon:
:func:`radio_refraction_deg` after ITU-R P.834.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

STANDARD_PRESSURE_HPA: Final = 1010.0
STANDARD_TEMPERATURE_C: Final = 10.0
LOWEST_ELEVATION_DEG: Final = -1.0
"""Below it the refraction stays as it is here: the formulas have no meaning there."""

_P834_HIGHEST_DEG: Final = 10.0
_ABSOLUTE_ZERO_C: Final = -273.0  # as Meeus writes it


def refraction_deg(
    true_elevation_deg: ArrayLike,
    pressure_hpa: float = STANDARD_PRESSURE_HPA,
    temperature_c: float = STANDARD_TEMPERATURE_C,
) -> FloatArray:
    """Refraction (deg, never negative) at a true elevation (deg), same shape.

    Continuous, and apparent elevation grows steadily with true elevation everywhere.

    Source: Saemundsson, as in Meeus equation 16.4.
    """
    true = np.maximum(np.asarray(true_elevation_deg, dtype=np.float64), LOWEST_ELEVATION_DEG)
    minutes = 1.02 / np.tan(np.radians(true + 10.3 / (true + 5.11)))
    return np.maximum(minutes, 0.0) / 60.0 * _air(pressure_hpa, temperature_c)


def refraction_of_apparent_deg(
    apparent_elevation_deg: ArrayLike,
    pressure_hpa: float = STANDARD_PRESSURE_HPA,
    temperature_c: float = STANDARD_TEMPERATURE_C,
) -> FloatArray:
    """Refraction (deg, never negative) at an apparent elevation (deg), same shape.

    It agrees with :func:`refraction_deg` to about 0.1 minute of arc.

    Source: Bennett, as in Meeus equation 16.3.
    """
    seen = np.maximum(np.asarray(apparent_elevation_deg, dtype=np.float64), LOWEST_ELEVATION_DEG)
    minutes = 1.0 / np.tan(np.radians(seen + 7.31 / (seen + 4.4)))
    return np.maximum(minutes, 0.0) / 60.0 * _air(pressure_hpa, temperature_c)


def radio_refraction_deg(true_elevation_deg: ArrayLike, altitude_m: float = 0.0) -> FloatArray:
    """Refraction (deg) of radio waves in the reference atmosphere, same shape as the elevations.

    Args:
        true_elevation_deg: in free space, without refraction.
        altitude_m: of the station, up to 3000.

    Source: ITU-R P.834, the correction from free-space elevation (also ITU-R P.619, attachment B),
    which holds to 10 degrees; above, the refraction goes with the cotangent, as for any thin shell.
    """
    height_km = min(max(altitude_m / 1000.0, 0.0), 3.0)
    true = np.maximum(np.asarray(true_elevation_deg, dtype=np.float64), LOWEST_ELEVATION_DEG)
    low = np.minimum(true, _P834_HIGHEST_DEG)
    bent = 1.0 / (
        1.728
        + (0.5411 + 0.03723 * low) * low
        + height_km * (0.1815 + (0.06272 + 0.01380 * low) * low)
        + height_km**2 * (0.01727 + 0.008288 * low)
    )
    high = np.radians(np.clip(true, _P834_HIGHEST_DEG, 90.0))
    share = np.tan(np.radians(_P834_HIGHEST_DEG)) / np.tan(high)
    return np.asarray(bent * np.maximum(share, 0.0), dtype=np.float64)


def true_elevation_deg(
    apparent_elevation_deg: ArrayLike,
    pressure_hpa: float = STANDARD_PRESSURE_HPA,
    temperature_c: float = STANDARD_TEMPERATURE_C,
) -> FloatArray:
    """True elevation (deg) that is seen at an apparent one (deg), same shape.

    The inverse of ``true + refraction_deg(true)`` to better than 1e-9 degree.
    """
    apparent = np.asarray(apparent_elevation_deg, dtype=np.float64)
    true = apparent - refraction_of_apparent_deg(apparent, pressure_hpa, temperature_c)
    # A contraction: the refraction changes by less than 0.25 degree a degree.
    for _ in range(16):
        true = apparent - refraction_deg(true, pressure_hpa, temperature_c)
    return np.asarray(true, dtype=np.float64)


def _air(pressure_hpa: float, temperature_c: float) -> float:
    """Factor for other than standard air (Meeus, chapter 16)."""
    temperature_k = temperature_c - _ABSOLUTE_ZERO_C
    return pressure_hpa / STANDARD_PRESSURE_HPA * (283.0 / temperature_k)
