"""When a quantity is positive: crossings of any continuous function of time, refined together.

Shadow, daylight, antenna rates, link margin and the Sun in the beam are all asked the same way:
sample, bracket each change of sign, and halve all brackets at once.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.intervals import EMPTY, IntervalSet, union

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
Quantity = Callable[[FloatArray], FloatArray]

TOLERANCE_S: Final = 1e-4
MAX_SAMPLES: Final = 4_000_000
"""Most samples of one search: a year at eight seconds."""

SAMPLES_AT_ONCE: Final = 50_000
"""About so many samples are held in memory at once, unless one span needs more."""

_GOLDEN: Final = 0.6180339887498949


def positive_intervals(
    quantity: Quantity, spans: IntervalSet, step_s: float, tolerance_s: float = TOLERANCE_S
) -> IntervalSet:
    """Instants of some spans at which a quantity is above 0.

    All spans are searched at once: many short ones cost little more than one.

    Args:
        quantity: a continuous function of instants ``[n]`` (s) to values ``[n]``; NaN counts as
            not positive.
        spans: look only here, such as in contacts within a track's validity.
        step_s: distance of samples. Turns of sign closer together than two steps are found where
            the samples show a dip or a bump between them.
        tolerance_s: each bound is found to better than this.

    Raises:
        ValueError: if one span would need more than ``MAX_SAMPLES`` samples.
    """
    if not spans:
        return EMPTY
    longest_s = float(spans.durations_s.max())
    if longest_s / step_s > MAX_SAMPLES:
        raise ValueError(f"a span of {longest_s:.0f} s is too long for steps of {step_s:g} s")
    batch = (np.cumsum(spans.durations_s / step_s + 3) / SAMPLES_AT_ONCE).astype(np.intp)
    edges = np.flatnonzero(np.diff(batch, prepend=-1, append=batch[-1] + 1))
    return union(
        _among(
            quantity, IntervalSet(spans.starts[one:two], spans.ends[one:two]), step_s, tolerance_s
        )
        for one, two in pairwise(edges.tolist())
    )


def _among(
    quantity: Quantity, spans: IntervalSet, step_s: float, tolerance_s: float
) -> IntervalSet:
    at, piece = samples(spans, step_s, tolerance_s)
    value = np.asarray(quantity(at), dtype=np.float64)
    value = np.where(np.isnan(value), -np.inf, value)
    at, value, piece = _with_hidden_turns(quantity, at, value, piece)
    positive, joined = value > 0, piece[1:] == piece[:-1]
    turns = np.flatnonzero((positive[1:] != positive[:-1]) & joined)
    edges = _halve(quantity, at[turns], at[turns + 1], positive[turns], piece[turns], tolerance_s)
    begins = np.concatenate([[True], ~joined]) & positive
    finishes = np.concatenate([~joined, [True]]) & positive
    starts = np.concatenate([spans.starts[piece[begins]], edges[~positive[turns]]])
    ends = np.concatenate([edges[positive[turns]], spans.ends[piece[finishes]]])
    return IntervalSet(np.sort(starts), np.sort(ends))


def samples(
    spans: IntervalSet, step_s: float, tolerance_s: float = TOLERANCE_S
) -> tuple[FloatArray, IntArray]:
    """Instants evenly over each span, shape ``[n]``, and the number of the span of each."""
    # The end is open: what is asked there may lie beyond a track's validity.
    last = np.maximum(
        spans.starts, spans.ends - np.minimum(tolerance_s, (spans.ends - spans.starts) / 2)
    )
    steps = np.maximum(np.ceil((last - spans.starts) / step_s), 2).astype(np.intp)
    piece = np.repeat(np.arange(len(spans)), steps + 1)
    ending = np.cumsum(steps + 1) - 1
    number = np.arange(len(piece)) - (ending - steps)[piece]
    at = number * ((last - spans.starts) / steps)[piece] + spans.starts[piece]
    at[ending] = last
    return at, piece


def _with_hidden_turns(
    quantity: Quantity, at: FloatArray, value: FloatArray, piece: IntArray
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Add the extremes that lie beyond zero between samples of one sign."""
    size = np.abs(value)
    same = (
        (np.sign(value[:-2]) == np.sign(value[1:-1]))
        & (np.sign(value[2:]) == np.sign(value[1:-1]))
        & (piece[:-2] == piece[2:])
    )
    near = np.flatnonzero(
        same & (size[1:-1] <= size[:-2]) & (size[1:-1] <= size[2:]) & np.isfinite(size[1:-1])
    )
    if not len(near):
        return at, value, piece
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
    pieces = np.concatenate([piece, piece[near + 1][beyond]])
    order = np.argsort(joined, kind="stable")
    return joined[order], values[order], pieces[order]


def _halve(
    quantity: Quantity,
    low: FloatArray,
    high: FloatArray,
    positive_at_low: NDArray[np.bool_],
    piece: IntArray,
    tolerance_s: float,
) -> FloatArray:
    """Halve all brackets until each is narrower than the tolerance.

    Those of one span are halved equally often: what is found there does not depend on the others.
    """
    if not len(low):
        return low
    widest = np.zeros(piece[-1] + 1)
    np.maximum.at(widest, piece, high - low)
    rounds = np.maximum(np.ceil(np.log2(widest[piece] / tolerance_s)), 0) + 1
    for number in range(int(rounds.max())):
        middle = 0.5 * (low + high)
        is_low = (np.asarray(quantity(middle)) > 0) == positive_at_low
        goes_on = number < rounds
        low = np.where(goes_on & is_low, middle, low)
        high = np.where(goes_on & ~is_low, middle, high)
    return np.asarray(0.5 * (low + high), dtype=np.float64)
