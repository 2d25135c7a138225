"""Light time and Doppler shift between a station and a target.

A target that recedes at range rate ρ̇ is received at f / (1 + ρ̇/c); a station that sends at
f · (1 + ρ̇/c) is received aboard at f. Transverse and relativistic terms are below 1e-9 of the
frequency for satellites of the Earth.

Source: ITU-R SA.1014 and handbooks give the first order −f ρ̇/c; the speed of light is exact (SI).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

SPEED_OF_LIGHT_KM_S: Final = 299_792.458


def light_time_s(range_km: ArrayLike) -> FloatArray:
    """One-way light time (s) over a range (km), same shape."""
    return np.asarray(range_km, dtype=np.float64) / SPEED_OF_LIGHT_KM_S


def received_shift_hz(frequency_hz: float, range_rate_km_s: ArrayLike) -> FloatArray:
    """How much higher than sent a one-way signal is received (Hz), same shape as the rates.

    Positive while the target comes nearer (negative range rate).
    """
    beta = np.asarray(range_rate_km_s, dtype=np.float64) / SPEED_OF_LIGHT_KM_S
    return np.asarray(-frequency_hz * beta / (1.0 + beta), dtype=np.float64)


def uplink_correction_hz(frequency_hz: float, range_rate_km_s: ArrayLike) -> FloatArray:
    """What to add to an uplink's frequency so that the nominal one arrives aboard (Hz)."""
    beta = np.asarray(range_rate_km_s, dtype=np.float64) / SPEED_OF_LIGHT_KM_S
    return np.asarray(frequency_hz * beta, dtype=np.float64)


def two_way_shift_hz(
    uplink_hz: float, range_rate_km_s: ArrayLike, turnaround: float = 1.0
) -> FloatArray:
    """Shift (Hz) of a coherent transponder's signal as received, for an uplink sent as nominal.

    Aboard arrives f (1 − β) times the dilation of time there, and at the station 1 / (1 + β) of
    what is sent back, divided by the same: (1 − β) / (1 + β) is exact, however the target moves.

    Args:
        turnaround: ratio of the downlink's frequency to the uplink's.

    Source: the relativistic Doppler effect of Einstein, Annalen der Physik 17 (1905), section 7,
    there and back.
    """
    beta = np.asarray(range_rate_km_s, dtype=np.float64) / SPEED_OF_LIGHT_KM_S
    return np.asarray(uplink_hz * turnaround * (-2.0 * beta / (1.0 + beta)), dtype=np.float64)
