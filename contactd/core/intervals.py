"""IntervalSet: the shared currency of the heart.

A set of instants as sorted, disjoint, non-touching half-open intervals ``[start, end)``. Contacts,
outages, command windows, needs, feasible starts, keep-clear and allocations are all of this type,
and each question of the mission is a short expression over them.

Algebra: ``a | b`` union, ``a & b`` intersection, ``a - b`` difference, ``a.shift(s)``,
``a.grow(before, after)``, ``a.shrink(before, after)``, ``a.gaps(within)``.

``shrink`` is the erosion of mathematical morphology and ``grow`` the dilation: ``t`` is in
``v.shrink(before, after)`` exactly when all of ``[t - before, t + after)`` lies in ``v``, taking
the end of the window closed where the interval allows it (Serra, *Image Analysis and Mathematical
Morphology*, 1982, chapter 2).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


class IntervalSet:
    """An immutable set of instants made of half-open intervals.

    Args:
        starts: instants (s), shape ``[n]``, in any order.
        ends: instants (s), shape ``[n]``; each greater than its start, or the pair is dropped as
            empty. Overlapping and touching intervals are merged. Infinite bounds are allowed.

    Raises:
        ValueError: if the shapes differ or a bound is NaN.
    """

    __slots__ = ("_ends", "_starts")

    def __init__(self, starts: ArrayLike = (), ends: ArrayLike = ()) -> None:
        first = np.atleast_1d(np.asarray(starts, dtype=np.float64))
        last = np.atleast_1d(np.asarray(ends, dtype=np.float64))
        if first.shape != last.shape or first.ndim != 1:
            raise ValueError(f"starts {first.shape} and ends {last.shape} must be equally long")
        if np.isnan(first).any() or np.isnan(last).any():
            raise ValueError("an interval's bound is not a number")
        first, last = _merge(first, last)
        first.flags.writeable = False
        last.flags.writeable = False
        self._starts: Final[FloatArray] = first
        self._ends: Final[FloatArray] = last

    @classmethod
    def of(cls, pairs: Iterable[tuple[float, float]]) -> IntervalSet:
        """Set of ``(start, end)`` pairs in any order."""
        bounds = np.array(list(pairs), dtype=np.float64).reshape(-1, 2)
        return cls(bounds[:, 0], bounds[:, 1])

    @classmethod
    def everything(cls) -> IntervalSet:
        """The whole time line."""
        return cls([-np.inf], [np.inf])

    @classmethod
    def _trusted(cls, starts: FloatArray, ends: FloatArray) -> IntervalSet:
        made = object.__new__(cls)
        starts.flags.writeable = False
        ends.flags.writeable = False
        object.__setattr__(made, "_starts", starts)
        object.__setattr__(made, "_ends", ends)
        return made

    @property
    def starts(self) -> FloatArray:
        """Starts in ascending order, shape ``[n]``, read-only."""
        return self._starts

    @property
    def ends(self) -> FloatArray:
        """Ends in ascending order, shape ``[n]``, read-only."""
        return self._ends

    @property
    def durations_s(self) -> FloatArray:
        """Length of each interval in seconds, shape ``[n]``."""
        return np.asarray(self._ends - self._starts, dtype=np.float64)

    @property
    def total_s(self) -> float:
        """Measure of the whole set in seconds."""
        return float(self.durations_s.sum())

    def __len__(self) -> int:
        return len(self._starts)

    def __bool__(self) -> bool:
        return len(self._starts) > 0

    def __iter__(self) -> Iterator[tuple[float, float]]:
        return zip(self._starts.tolist(), self._ends.tolist(), strict=True)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, IntervalSet):
            return NotImplemented
        return np.array_equal(self._starts, other._starts) and np.array_equal(
            self._ends, other._ends
        )

    def __hash__(self) -> int:
        return hash((self._starts.tobytes(), self._ends.tobytes()))

    def __repr__(self) -> str:
        inner = ", ".join(f"[{start:.6g}, {end:.6g})" for start, end in self)
        return f"IntervalSet({inner})"

    def __contains__(self, instant: object) -> bool:
        return bool(self.holds(float(instant)))  # type: ignore[arg-type]

    def holds(self, instants: ArrayLike) -> NDArray[np.bool_]:
        """Whether each instant lies in the set; same shape as given."""
        at = np.asarray(instants, dtype=np.float64)
        if not len(self._starts):
            return np.zeros(at.shape, dtype=np.bool_)
        index = np.searchsorted(self._starts, at, side="right") - 1
        return np.asarray((index >= 0) & (at < self._ends[np.maximum(index, 0)]), dtype=np.bool_)

    def interval_at(self, instant: float) -> tuple[float, float] | None:
        """The interval that holds the instant, or None."""
        index = int(np.searchsorted(self._starts, instant, side="right")) - 1
        if index < 0 or instant >= self._ends[index]:
            return None
        return float(self._starts[index]), float(self._ends[index])

    def next_from(self, instant: float) -> tuple[float, float] | None:
        """The interval that holds the instant or, failing that, the first that starts later."""
        index = int(self._ends.searchsorted(instant, side="right"))
        if index >= len(self._starts):
            return None
        return float(self._starts[index]), float(self._ends[index])

    def last_until(self, instant: float) -> tuple[float, float] | None:
        """The last interval that starts before the instant, cut at it; None if there is none."""
        index = int(np.searchsorted(self._starts, instant, side="left")) - 1
        if index < 0:
            return None
        return float(self._starts[index]), min(float(self._ends[index]), instant)

    def covers(self, start: float, end: float) -> bool:
        """Whether all of ``[start, end)`` lies in the set (an empty or single instant: held)."""
        if end <= start:
            return start in self
        found = self.interval_at(start)
        return found is not None and found[1] >= end

    def meets(self, start: float, end: float) -> bool:
        """Whether any of ``[start, end)`` lies in the set."""
        found = self.next_from(start)
        return found is not None and found[0] < end

    def __or__(self, other: IntervalSet) -> IntervalSet:
        return IntervalSet(
            np.concatenate([self._starts, other._starts]),
            np.concatenate([self._ends, other._ends]),
        )

    def __and__(self, other: IntervalSet) -> IntervalSet:
        if not self or not other:
            return EMPTY
        # For each of mine, the run of theirs that it meets; then one clipped pair per meeting.
        low = other._ends.searchsorted(self._starts, side="right")
        high = other._starts.searchsorted(self._ends, side="left")
        counts = np.maximum(high - low, 0)
        mine = np.repeat(np.arange(len(self._starts)), counts)
        run = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        theirs = np.repeat(low, counts) + run
        return IntervalSet._trusted(
            np.maximum(self._starts[mine], other._starts[theirs]),
            np.minimum(self._ends[mine], other._ends[theirs]),
        )

    def __sub__(self, other: IntervalSet) -> IntervalSet:
        return self & other.complement()

    def complement(self) -> IntervalSet:
        """All instants that are not in the set."""
        starts = np.concatenate([[-np.inf], self._ends])
        ends = np.concatenate([self._starts, [np.inf]])
        keep = starts < ends
        return IntervalSet._trusted(starts[keep], ends[keep])

    def clip(self, start: float, end: float) -> IntervalSet:
        """The part of the set in ``[start, end)``."""
        starts, ends = np.maximum(self._starts, start), np.minimum(self._ends, end)
        keep = starts < ends
        return IntervalSet._trusted(starts[keep], ends[keep])

    def gaps(self, start: float, end: float) -> IntervalSet:
        """The part of ``[start, end)`` that is not in the set."""
        return IntervalSet([start], [end]) - self

    def shift(self, seconds: float) -> IntervalSet:
        """The set moved later by ``seconds`` (earlier when negative)."""
        return IntervalSet(self._starts + seconds, self._ends + seconds)

    def grow(self, before_s: float | FloatArray, after_s: float | FloatArray) -> IntervalSet:
        """Each interval from ``before_s`` earlier to ``after_s`` later, merged.

        The amounts are seconds, scalars or one per interval; negative amounts shrink, and what
        becomes empty vanishes.
        """
        return IntervalSet(self._starts - before_s, self._ends + after_s)

    def shrink(self, before_s: float | FloatArray, after_s: float | FloatArray) -> IntervalSet:
        """Instants ``t`` around which ``[t - before_s, t + after_s]`` lies within one interval."""
        return IntervalSet(self._starts + before_s, self._ends - after_s)

    def longer_than(self, seconds: float) -> IntervalSet:
        """Only the intervals of at least ``seconds``."""
        keep = self.durations_s >= seconds
        return IntervalSet._trusted(self._starts[keep], self._ends[keep])


def _merge(starts: FloatArray, ends: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sort, drop the empty, and join what overlaps or touches."""
    keep = starts < ends
    starts, ends = starts[keep], ends[keep]
    if (starts[1:] > ends[:-1]).all():  # so they come nearly always
        return starts, ends
    order = np.argsort(starts, kind="stable")
    starts, reach = starts[order], np.maximum.accumulate(ends[order])
    opens = np.concatenate([[True], starts[1:] > reach[:-1]])
    closes = np.concatenate([opens[1:], [True]])
    return starts[opens], reach[closes]


EMPTY: Final = IntervalSet()


def union(sets: Iterable[IntervalSet]) -> IntervalSet:
    """Instants that lie in any of the sets."""
    given = list(sets)
    if not given:
        return EMPTY
    return IntervalSet(
        np.concatenate([each.starts for each in given]),
        np.concatenate([each.ends for each in given]),
    )


def intersection(sets: Iterable[IntervalSet]) -> IntervalSet:
    """Instants that lie in all of the sets (everything, if there are none)."""
    result = IntervalSet.everything()
    for each in sets:
        result = result & each
    return result


def at_least(count: int, sets: Iterable[IntervalSet]) -> IntervalSet:
    """Instants that lie in at least ``count`` of the sets.

    Raises:
        ValueError: if ``count`` is less than 1.
    """
    if count < 1:
        raise ValueError(f"count is {count}; at least 1 is expected")
    given = list(sets)
    if not given:
        return EMPTY
    starts = np.concatenate([each.starts for each in given])
    ends = np.concatenate([each.ends for each in given])
    instants = np.concatenate([starts, ends])
    steps = np.concatenate([np.ones(len(starts)), -np.ones(len(ends))])
    # At one instant, ends come after starts would join what only touches: half-open sets of the
    # same instant hand over without a gap, so starts first is right.
    order = np.lexsort((-steps, instants))
    level = np.cumsum(steps[order])
    enough = np.concatenate([[False], level >= count])
    turns = np.flatnonzero(enough[1:] != enough[:-1])
    edges = instants[order][turns]
    return IntervalSet(edges[0::2], edges[1::2])
