"""Roots of functions of arrays of instants, all at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MOST_ROUNDS = 60


def solve(
    function: Callable[[FloatArray], FloatArray],
    low: FloatArray,
    high: FloatArray,
    at_low: FloatArray,
    at_high: FloatArray,
    tolerance_s: float,
) -> FloatArray:
    """Roots of a function of an array of instants, one in each bracket of opposite signs.

    Regula falsi with the Illinois modification (Dowell & Jarratt 1971), all brackets at once;
    every fourth round halves, so that no bracket can creep.
    """
    low, high = low.copy(), high.copy()
    at_low, at_high = at_low.copy(), at_high.copy()
    root = 0.5 * (low + high)
    if not len(root):
        return root
    side = np.zeros(len(root), dtype=np.int8)
    before = np.full(len(root), np.inf)
    for turn in range(MOST_ROUNDS):
        with np.errstate(divide="ignore", invalid="ignore"):
            share = at_low / (at_low - at_high)
        secant = low + share * (high - low)
        usable = np.isfinite(secant) & (secant >= low) & (secant <= high) & (turn % 4 != 3)
        root = np.where(usable, secant, 0.5 * (low + high))
        if (np.minimum(np.abs(root - before), high - low) < tolerance_s).all():
            break
        before = root
        value = function(root)
        same_as_low = (value >= 0.0) == (at_low >= 0.0)
        # The end that stays twice loses half its weight.
        at_high = np.where(same_as_low, np.where(side == 1, 0.5 * at_high, at_high), value)
        at_low = np.where(same_as_low, value, np.where(side == -1, 0.5 * at_low, at_low))
        low = np.where(same_as_low, root, low)
        high = np.where(same_as_low, high, root)
        side = np.where(same_as_low, 1, -1).astype(np.int8)
    return root
