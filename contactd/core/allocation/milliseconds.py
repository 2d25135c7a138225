"""Antenna time is granted in whole milliseconds, which is what schedules are written in.

Each is the very number that its text is read back as, so that nothing is lost on the way out and
back again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

UNIT_S = 1e-3
ROUGHLY_S = 1e-6
"""Times that differ by no more than this are the same."""


def nearest(instants: FloatArray) -> FloatArray:
    """The whole milliseconds (instants, s) next to each."""
    whole = np.floor(instants)
    found: FloatArray = whole + np.rint((instants - whole) / UNIT_S) / round(1 / UNIT_S)
    return found


def earliest(instants: FloatArray) -> FloatArray:
    """The last whole milliseconds (instants, s) that are no later than each."""
    found = nearest(instants)
    return np.where(found > instants, nearest(found - UNIT_S), found)


def latest(instants: FloatArray) -> FloatArray:
    """The first whole milliseconds (instants, s) that are no earlier than each."""
    found = nearest(instants)
    return np.where(found < instants, nearest(found + UNIT_S), found)


def after(instants: FloatArray) -> FloatArray:
    """As :func:`latest`, for sums of whole milliseconds, which rounding may have made longer."""
    return latest(instants - ROUGHLY_S / 2)


def outward(start: FloatArray, end: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Starts and ends (instants, s) widened to whole milliseconds."""
    return earliest(start), latest(end)
