"""One tier of the allocation, given whole to a mixed-integer solver, and what greed would take.

The solver is HiGHS through scipy, or CP-SAT of OR-Tools. Its work is bounded by branch-and-bound
nodes, not by time; where that ends the search, the bound that it has proved says how far the
choice may be from the best.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.problem import Floor, Problem, Rows, rows_for
from contactd.core.allocation.search_budget import Found

IndexArray = NDArray[np.intp]
PointArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

TINY = 1e-6
LARGE, LARGE_GAP = 20_000, 0.01
"""A problem of more offers than this is solved without simplifying it first, which takes longer,
and to within such a gap."""
MOST_TRIED = 60
"""So many others are tried in the place of one offer."""


class Solve(Protocol):
    """A solver of one tier: the best choice among the columns that keeps to the floors.

    None if it found none with so many nodes.
    """

    def __call__(
        self,
        problem: Problem,
        points: PointArray,
        columns: IndexArray,
        floors: tuple[Floor, ...],
        hint: BoolArray,
        nodes: int,
    ) -> Found | None: ...


def by_highs(
    problem: Problem,
    points: PointArray,
    columns: IndexArray,
    floors: tuple[Floor, ...],
    hint: BoolArray,
    nodes: int,
) -> Found | None:
    """A :class:`Solve` by HiGHS; it takes no hint."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    rows = rows_for(problem, columns, floors)
    value = points[columns].astype(np.float64)
    answer = milp(
        -value,
        constraints=LinearConstraint(rows.matrix, -np.inf, rows.room),
        bounds=Bounds(0.0, 1.0),
        integrality=np.ones(len(columns)),
        options={
            "mip_rel_gap": 0.0 if len(columns) <= LARGE else LARGE_GAP,
            "node_limit": nodes,
            "presolve": len(columns) <= LARGE,
        },
    )
    if answer.x is None:
        return None
    bound = value.sum() if answer.mip_dual_bound is None else -answer.mip_dual_bound
    taken = np.zeros(problem.count, dtype=np.bool_)
    taken[columns[answer.x > 0.5]] = True
    worth = int(points[taken].sum())
    whole = math.floor(bound + TINY * max(abs(bound), 1.0)) if np.isfinite(bound) else value.sum()
    return Found(taken, worth, max(int(whole), worth))


def better(one: Found, other: Found | None) -> Found:
    """The choice of the two that is worth more, with the lower of their bounds."""
    if other is None:
        return one
    best = other if other.worth > one.worth else one
    return Found(best.taken, best.worth, max(min(one.bound, other.bound), best.worth))


class Fit:
    """Takes offers as long as they fit, as somebody with a list would.

    Args:
        rows: of all offers, without floors.
    """

    def __init__(self, rows: Rows) -> None:
        self._pointers, self._rows, self._room = rows.matrix.indptr, rows.matrix.indices, rows.room

    def filled(self, taken: BoolArray, order: Iterable[int]) -> BoolArray:
        """What is taken, and each of the others in that order that fits."""
        pointers, rows, room = self._pointers, self._rows, self._room.copy()
        found = taken.copy()
        for offer in np.flatnonzero(taken).tolist():
            room[rows[pointers[offer] : pointers[offer + 1]]] -= 1.0
        for offer in order:
            mine = rows[pointers[offer] : pointers[offer + 1]]
            if not found[offer] and (room[mine] >= 1.0).all():
                room[mine] -= 1.0
                found[offer] = True
        return found

    def exchanged(self, taken: BoolArray, alike: IndexArray, points: PointArray) -> BoolArray:
        """Each taken offer in its turn replaced by the best of those alike that fits.

        Args:
            alike: offers of the same number may stand for each other; -1 for none.
        """
        pointers, rows, room = self._pointers, self._rows, self._room.copy()
        found = taken.copy()
        for offer in np.flatnonzero(taken).tolist():
            room[rows[pointers[offer] : pointers[offer + 1]]] -= 1.0
        order = np.lexsort((-points, alike))
        edges = np.searchsorted(alike[order], np.arange(int(alike.max(initial=-1)) + 2))
        for offer in np.flatnonzero(taken & (alike >= 0)).tolist():
            low, high = edges[alike[offer]], edges[alike[offer] + 1]
            own = rows[pointers[offer] : pointers[offer + 1]]
            room[own] += 1.0
            best = offer
            for other in order[low : min(high, low + MOST_TRIED)].tolist():
                if points[other] <= points[offer]:
                    break
                mine = rows[pointers[other] : pointers[other + 1]]
                if not found[other] and (room[mine] >= 1.0).all():
                    best = other
                    break
            found[offer], found[best] = False, True
            room[rows[pointers[best] : pointers[best + 1]]] -= 1.0
        return found
