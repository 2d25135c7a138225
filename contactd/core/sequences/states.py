"""Columns of search states, and piles of them with the most promising on top."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(slots=True)
class States:
    """Many states of one depth. Columns of ``low``, ``high`` and ``pick`` are nodes.

    Attributes:
        x, y: greatest of all ``a − low`` and least of all ``b − high``, shape ``[n]``.
        width: least width of the root's bounds, shape ``[n]``.
        low, high: bounds of each assigned node relative to those of the root, ``[n, nodes]``.
        pick: index of the choice on each node's edge, ``[n, nodes]``.
    """

    x: FloatArray
    y: FloatArray
    width: FloatArray
    low: FloatArray
    high: FloatArray
    pick: IntArray

    def __len__(self) -> int:
        return len(self.x)

    @property
    def freedom(self) -> FloatArray:
        """Seconds within which the start may lie, at the most."""
        return np.asarray(self.y - self.x - self.width, dtype=np.float64)

    def only(self, index: NDArray[np.bool_] | IntArray | slice) -> States:
        """Some of the states."""
        return States(
            self.x[index],
            self.y[index],
            self.width[index],
            self.low[index],
            self.high[index],
            self.pick[index],
        )


@dataclass(slots=True)
class StatePile:
    """States of one depth, best score first, of which some are already looked at."""

    depth: int
    states: States
    scores: FloatArray
    taken: int = 0

    def is_spent(self, bar: float) -> bool:
        """Whether none of what is left can score above the bar."""
        return self.taken >= len(self.scores) or bool(self.scores[self.taken] <= bar)

    def take(self, count: int) -> States:
        """The next states."""
        some = self.states.only(slice(self.taken, self.taken + count))
        self.taken += count
        return some


@dataclass(slots=True)
class PairPile:
    """Pairs of a state and a window for its next node, best score first.

    Attributes:
        rows, windows: indices of state and window, shape ``[n]``.
        firsts, lasts: the range of choices that may bring them together, shape ``[n]``.
    """

    depth: int
    states: States
    scores: FloatArray
    rows: IntArray
    windows: IntArray
    firsts: IntArray
    lasts: IntArray
    taken: int = 0

    def is_spent(self, bar: float) -> bool:
        """Whether none of what is left can score above the bar."""
        return self.taken >= len(self.scores) or bool(self.scores[self.taken] <= bar)

    def take(self, most: int) -> tuple[IntArray, IntArray, IntArray]:
        """Up to ``most`` further (state, window, choice), the first choices of a pair first."""
        counts = self.lasts[self.taken :] - self.firsts[self.taken :]
        ends = np.cumsum(counts)
        whole = int(np.searchsorted(ends, most, "right"))
        some = slice(self.taken, self.taken + whole)
        rows, windows, firsts, counts = (
            self.rows[some],
            self.windows[some],
            self.firsts[some],
            counts[:whole],
        )
        self.taken += whole
        if not whole:
            # The next pair alone has more choices than are wanted: take a part of it.
            at = self.taken
            rows, windows = self.rows[at : at + 1], self.windows[at : at + 1]
            firsts, counts = self.firsts[at : at + 1].copy(), np.array([most])
            self.firsts[at] += most
        run = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        return (
            np.repeat(rows, counts),
            np.repeat(windows, counts),
            np.repeat(firsts, counts) + run,
        )
