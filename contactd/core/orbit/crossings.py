"""When a quantity is positive: crossings of any continuous function of time, refined together.

Shadow, daylight, antenna rates, link margin and the Sun in the beam are all asked the same way:
sample, bracket each change of sign, and halve all brackets at once.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.intervals import EMPTY, IntervalSet, union

FloatArray = NDArray[np.float64]
Quantity = Callable[[FloatArray], FloatArray]

TOLERANCE_S: Final = 1e-4
MAX_SAMPLES: Final = 4_000_000
"""Most samples of one search: a year at eight seconds."""

_GOLDEN: Final = 0.6180339887498949


def positive_intervals(
    quantity: Quantity,
    start: float,
    end: float,
    step_s: float,
    within: IntervalSet | None = None,
    tolerance_s: float = TOLERANCE_S,
) -> IntervalSet:
    """Instants of ``[start, end)`` at which a quantity is above 0.

    Args:
        quantity: a continuous function of instants ``[n]`` (s) to values ``[n]``; NaN counts as
            not positive.
        step_s: distance of samples. Turns of sign closer together than two steps are found where
            the samples show a dip or a bump between them.
        within: look only here, such as in a track's validity.
        tolerance_s: each bound is found to better than this.

    Raises:
        ValueError: if the span would need more than ``MAX_SAMPLES`` samples.
    """
    pieces = IntervalSet([start], [end]) if within is None else within.clip(start, end)
    if pieces.total_s / step_s > MAX_SAMPLES:
        raise ValueError(f"a span of {pieces.total_s:.0f} s is too long for steps of {step_s:g} s")
    found = [_in_piece(quantity, low, high, step_s, tolerance_s) for low, high in pieces]
    return union(found) if found else EMPTY


def _in_piece(
    quantity: Quantity, start: float, end: float, step_s: float, tolerance_s: float
) -> IntervalSet:
    # The end is open: what is asked there may lie beyond a track's validity.
    last = max(start, end - min(tolerance_s, (end - start) / 2))
    count = max(int(np.ceil((last - start) / step_s)), 2) + 1
    at = np.linspace(start, last, count)
    value = np.asarray(quantity(at), dtype=np.float64)
    value = np.where(np.isnan(value), -np.inf, value)
    at, value = _with_hidden_turns(quantity, at, value)
    positive = value > 0
    turns = np.flatnonzero(positive[1:] != positive[:-1])
    edges = _halve(quantity, at[turns], at[turns + 1], positive[turns], tolerance_s)
    starts, ends = edges[~positive[turns]], edges[positive[turns]]
    if positive[0]:
        starts = np.concatenate([[start], starts])
    if positive[-1]:
        ends = np.concatenate([ends, [end]])
    return IntervalSet(starts, ends)


def _with_hidden_turns(
    quantity: Quantity, at: FloatArray, value: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Add the extremes that lie beyond zero between samples of one sign."""
    size = np.abs(value)
    same = (np.sign(value[:-2]) == np.sign(value[1:-1])) & (
        np.sign(value[2:]) == np.sign(value[1:-1])
    )
    near = np.flatnonzero(
        same & (size[1:-1] <= size[:-2]) & (size[1:-1] <= size[2:]) & np.isfinite(size[1:-1])
    )
    if not len(near):
        return at, value
    low, high, sign = at[near], at[near + 2], np.sign(value[near + 1])
    # A golden-section search for the smallest sign · quantity, for all at once.
    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    at_left, at_right = sign * quantity(left), sign * quantity(right)
    for _ in range(24):
        go_left = ~(at_right < at_left)
        low, high = np.where(go_left, low, left), np.where(go_left, right, high)
        probe = np.where(go_left, high - _GOLDEN * (high - low), low + _GOLDEN * (high - low))
        at_probe = sign * quantity(probe)
        left, right = np.where(go_left, probe, right), np.where(go_left, left, probe)
        at_left, at_right = (
            np.where(go_left, at_probe, at_right),
            np.where(go_left, at_left, at_probe),
        )
    best = np.where(at_left < at_right, left, right)
    beyond = np.minimum(at_left, at_right) < 0
    joined = np.concatenate([at, best[beyond]])
    values = np.concatenate([value, -sign[beyond] * 1e-300])
    order = np.argsort(joined, kind="stable")
    return joined[order], values[order]


def _halve(
    quantity: Quantity,
    low: FloatArray,
    high: FloatArray,
    positive_at_low: NDArray[np.bool_],
    tolerance_s: float,
) -> FloatArray:
    """Halve all brackets until each is narrower than the tolerance."""
    if not len(low):
        return low
    widest = float(np.max(high - low))
    for _ in range(max(int(np.ceil(np.log2(widest / tolerance_s))), 0) + 1):
        middle = 0.5 * (low + high)
        is_low = (np.asarray(quantity(middle)) > 0) == positive_at_low
        low, high = np.where(is_low, middle, low), np.where(is_low, high, middle)
    return np.asarray(0.5 * (low + high), dtype=np.float64)
