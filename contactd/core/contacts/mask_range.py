"""The lowest and the highest that a mask is between two azimuths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.horizon import Horizon

FloatArray = NDArray[np.float64]

_BESIDE_DEG = 1e-8


class MaskRange:
    """A horizon that is not flat, asked for whole ranges of azimuth.

    Between its corners a mask is monotonic, so that its extremes lie at corners (on either side,
    since a mask may jump) or at the ends of the range.
    """

    def __init__(self, horizon: Horizon) -> None:
        self._horizon = horizon
        corners = horizon.corners_deg
        beside = np.stack(
            [horizon.mask_deg((corners + side) % 360.0) for side in (-_BESIDE_DEG, 0, _BESIDE_DEG)]
        )
        self._corners_deg = corners
        self._least = np.sin(np.radians(beside.min(axis=0)))
        self._greatest = np.sin(np.radians(beside.max(axis=0)))

    @property
    def highest_sine(self) -> float:
        """Sine of the highest elevation of the mask."""
        return float(self._greatest.max())

    def between(
        self, azimuth_deg: FloatArray, moved_km: FloatArray, level_km: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Sine of the lowest and of the highest elevation of the mask near some azimuths.

        Args:
            azimuth_deg: ``[m, …]``: all m directions, and all that lies between them.
            moved_km: how far from them, across the line of sight, is looked too, ``[…]``.
            level_km: the least horizontal distance that this is seen at, ``[…]``.
        """
        first = azimuth_deg[0]
        turn = (azimuth_deg - first + 180.0) % 360.0 - 180.0
        with np.errstate(divide="ignore", invalid="ignore"):
            share = moved_km / (level_km - moved_km)
        wide_deg = np.where(level_km > moved_km, np.degrees(share), np.inf)
        low, high = turn.min(axis=0) - wide_deg, turn.max(axis=0) + wide_deg
        everywhere = ~(high - low < 300.0)
        low, width = np.where(everywhere, 0.0, low), np.where(everywhere, 360.0, high - low)
        start = (first + low) % 360.0
        ends = np.sin(np.radians(self._horizon.mask_deg(np.stack([start, start + width]) % 360.0)))
        away = (self._corners_deg - start[..., None]) % 360.0
        inside = away <= width[..., None]
        least = np.where(inside, self._least, np.inf).min(axis=-1)
        greatest = np.where(inside, self._greatest, -np.inf).max(axis=-1)
        return np.minimum(least, ends.min(axis=0)), np.maximum(greatest, ends.max(axis=0))
