"""Measurements of one contact, and what is expected of them for an along-track offset.

Beside the offset each series has unknowns of its own, which enter linearly: a frequency an unknown
constant and drift (a free-running oscillator), a range rate and a range a constant, angles a
constant of each axis (the mount's, known to a third of a degree).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.ground.doppler import SPEED_OF_LIGHT_KM_S
from contactd.core.learning.sightline import Seen, Sightline

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MOUNT_ERROR_DEG: Final = 0.3
"""Standard deviation of a mount's constant error; common practice, no source."""
_SLOPE_STEP_S: Final = 0.05


class Kind(StrEnum):
    """What was measured."""

    FREQUENCY = "Doppler"
    RANGE_RATE = "range rate"
    RANGE = "range"
    ANGLES = "angles"


NOISE_UNITS: Final = {
    Kind.FREQUENCY: "Hz", Kind.RANGE_RATE: "km/s", Kind.RANGE: "km", Kind.ANGLES: "deg",
}  # fmt: skip
# What an offset along the track leaves unexplained of a true motion; judgement.
_LEAST_NOISE: Final = {Kind.RANGE_RATE: 3e-4, Kind.RANGE: 0.1, Kind.ANGLES: 0.02}
_LARGEST_NOISE: Final = {Kind.RANGE_RATE: 0.1, Kind.RANGE: 5.0, Kind.ANGLES: 1.0}
_LARGEST_FREQUENCY_NOISE: Final = 0.1 / SPEED_OF_LIGHT_KM_S


@dataclass(frozen=True, slots=True)
class Measured:
    """One series of measurements by one station.

    Attributes:
        at: instants of reception (s), ``[n]``.
        values: Hz, km/s, km or (azimuth, elevation) in degrees, ``[n]`` or ``[n, 2]``.
        noise: standard deviation in the unit of the values; None where it is to be found from them.
        sent_hz: what arrives at the station without any motion, ``[n]``; of a coherent transponder
            with its turnaround.
        two_way: whether frequencies were shifted on both ways.
        integration_s: range rates are means over so long.
    """

    kind: Kind
    line: Sightline
    at: FloatArray
    values: FloatArray
    noise: float | None = None
    sent_hz: FloatArray | None = None
    two_way: bool = False
    integration_s: float = 0.0

    @property
    def count(self) -> int:
        """How many residuals there are."""
        return int(self.values.size)

    @property
    def least_noise(self) -> float:
        """No residual is believed to be smaller (0.3 m/s, 100 m, 0.02 degree)."""
        if self.kind is Kind.FREQUENCY:
            assert self.sent_hz is not None
            rate = _LEAST_NOISE[Kind.RANGE_RATE] / SPEED_OF_LIGHT_KM_S
            return rate * float(np.median(self.sent_hz))
        return _LEAST_NOISE[self.kind]

    @property
    def largest_noise(self) -> float:
        """More noise than this is no measurement of this kind (0.1 km/s, 5 km, 1 degree)."""
        if self.kind is Kind.FREQUENCY:
            assert self.sent_hz is not None
            return _LARGEST_FREQUENCY_NOISE * float(np.median(self.sent_hz))
        return _LARGEST_NOISE[self.kind]

    def expected(self, offset_s: float) -> FloatArray:
        """What an offset (s) makes one expect, unknown constants apart, ``[count]``."""
        if self.kind is Kind.RANGE_RATE and self.integration_s:
            half = self.integration_s / 2
            late = self.line.seen(self.at + half, offset_s).range_km
            early = self.line.seen(self.at - half, offset_s).range_km
            return np.asarray((late - early) / self.integration_s, dtype=np.float64)
        seen = self.line.seen(self.at, offset_s)
        if self.kind is Kind.FREQUENCY:
            return self._frequency(seen)
        if self.kind is Kind.RANGE_RATE:
            return seen.range_rate_km_s
        if self.kind is Kind.RANGE:
            return seen.range_km
        return np.concatenate([seen.azimuth_deg, seen.elevation_deg])

    def residuals(self, offset_s: float) -> FloatArray:
        """What was measured less what is expected, ``[count]``; azimuths as arcs on the sky."""
        expected = self.expected(offset_s)
        if self.kind is not Kind.ANGLES:
            return np.asarray(self.values - expected, dtype=np.float64)
        azimuth, elevation = self.values[:, 0], self.values[:, 1]
        count = len(self.at)
        turned = (azimuth - expected[:count] + 180.0) % 360.0 - 180.0
        arc = turned * np.cos(np.radians(elevation))
        return np.concatenate([arc, elevation - expected[count:]])

    def slope(self, offset_s: float) -> FloatArray:
        """How the expectation changes with the offset (unit/s), ``[count]``."""
        step = _SLOPE_STEP_S
        change = self.residuals(offset_s - step) - self.residuals(offset_s + step)
        return np.asarray(change / (2 * step), dtype=np.float64)

    def unknowns(self) -> tuple[FloatArray, FloatArray]:
        """Columns ``[count, k]`` of the series' own unknowns, and their deviations ``[k]``."""
        ones = np.ones(len(self.at))
        if self.kind is Kind.FREQUENCY:
            since = self.at - self.at.mean()
            span = max(float(np.ptp(since)), 1.0)
            return np.stack([ones, since / span], axis=-1), np.array([np.inf, np.inf])
        if self.kind is Kind.ANGLES:
            zeros = np.zeros_like(ones)
            both = [np.concatenate([ones, zeros]), np.concatenate([zeros, ones])]
            return np.stack(both, axis=-1), np.array([MOUNT_ERROR_DEG, MOUNT_ERROR_DEG])
        return ones[:, None], np.array([np.inf])

    def recedes(self, offset_s: float) -> BoolArray:
        """Whether the target recedes at each residual, ``[count]``."""
        receding = self.line.seen(self.at, offset_s).range_rate_km_s > 0
        return np.tile(receding, 2) if self.kind is Kind.ANGLES else np.asarray(receding)

    def _frequency(self, seen: Seen) -> FloatArray:
        assert self.sent_hz is not None
        down = 1.0 - seen.range_rate_km_s / SPEED_OF_LIGHT_KM_S
        # On the way up the target moves away from a wave that was sent at rest.
        factor = down * (2.0 - 1.0 / down) if self.two_way else down
        return np.asarray(self.sent_hz * factor, dtype=np.float64)
