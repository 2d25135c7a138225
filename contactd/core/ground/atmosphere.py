"""What air, clouds and rain take from a radio signal, where a link asks for it.

The ITU-R's methods (P.618 for rain and scintillation, P.676 for gases, P.840 for clouds) and maps
come from the package ``itur`` (extra ``link``). It takes a second to load and longer to compute, so
that attenuation is computed once at some elevations and interpolated between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.errors import ContactdError
from contactd.core.ground.station import Station

FloatArray = NDArray[np.float64]

LEAST_FREQUENCY_HZ: Final = 1.0e9
"""Below it gases, clouds and rain together take less than 0.1 dB above 5 degrees."""
GREATEST_FREQUENCY_HZ: Final = 55.0e9
"""ITU-R P.618 holds to here."""
LEAST_ELEVATION_DEG: Final = 5.0
"""ITU-R P.618 holds from here; below, the path's length in the air is scaled by its sine."""

_ELEVATIONS_DEG: Final = (5.0, 6.0, 7.5, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 89.0)
_LOWEST_SCALED_DEG: Final = 1.0


class MissingExtraError(ContactdError):
    """Something was asked for that needs an optional package."""

    code = "missing-extra"


@dataclass(frozen=True, slots=True)
class Atmosphere:
    """Attenuation that is exceeded for a share of an average year.

    Attributes:
        exceeded_percent: of the time, 0.001 to 50 (P.618).
        antenna_diameter_m: of the station, for scintillation.
    """

    exceeded_percent: float = 1.0
    antenna_diameter_m: float = 3.0

    def __post_init__(self) -> None:
        if not 0.001 <= self.exceeded_percent <= 50:
            raise ValueError(f"exceeded_percent is {self.exceeded_percent}; 0.001 to 50 is allowed")


def attenuation_db(
    atmosphere: Atmosphere | None,
    station: Station,
    frequency_hz: float,
    elevation_deg: FloatArray,
) -> FloatArray:
    """Attenuation (dB) by gases, clouds, rain and scintillation, same shape as the elevations.

    0 where none is asked for, and below ``LEAST_FREQUENCY_HZ``.

    Raises:
        MissingExtraError: if the package ``itur`` is not there.
        ValueError: above ``GREATEST_FREQUENCY_HZ``.
    """
    elevation = np.asarray(elevation_deg, dtype=np.float64)
    if atmosphere is None or frequency_hz < LEAST_FREQUENCY_HZ:
        return np.zeros(elevation.shape)
    if frequency_hz > GREATEST_FREQUENCY_HZ:
        raise ValueError(f"{frequency_hz:g} Hz is above 55 GHz, to which ITU-R P.618 holds")
    table = _table(
        atmosphere, station.latitude_deg, station.longitude_deg, station.altitude_m, frequency_hz
    )
    inside = np.clip(elevation, LEAST_ELEVATION_DEG, _ELEVATIONS_DEG[-1])
    sines = np.sin(np.radians(_ELEVATIONS_DEG))
    # Attenuation goes nearly with the path's length: straight lines over 1 / sin(elevation).
    value = np.interp(1 / np.sin(np.radians(inside)), 1 / sines[::-1], np.array(table)[::-1])
    low = np.sin(np.radians(np.clip(elevation, _LOWEST_SCALED_DEG, LEAST_ELEVATION_DEG)))
    return np.asarray(value * sines[0] / low, dtype=np.float64)


@lru_cache(maxsize=256)
def _table(
    atmosphere: Atmosphere,
    latitude_deg: float,
    longitude_deg: float,
    altitude_m: float,
    frequency_hz: float,
) -> tuple[float, ...]:
    """Total attenuation (dB) at the elevations of the table."""
    try:
        import itur
    except ImportError:
        raise MissingExtraError(
            "attenuation by air and rain needs the package itur: install contactd[link]"
        ) from None
    total: Any = itur.atmospheric_attenuation_slant_path(
        latitude_deg,
        longitude_deg,
        frequency_hz / 1e9,
        np.array(_ELEVATIONS_DEG),
        atmosphere.exceeded_percent,
        atmosphere.antenna_diameter_m,
        hs=altitude_m / 1000.0,
    )
    return tuple(float(value) for value in np.atleast_1d(getattr(total, "value", total)))
