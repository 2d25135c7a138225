"""The allocation as a set packing problem: which offers to take, in numbers alone.

An offer occupies antennas, serves requests and counts points. With x_o = 1 where offer o is taken::

    maximise   Σ_o points_o · x_o                       tier after tier, the earlier ones held
    such that  at each antenna, at each instant:        Σ x_o ≤ 1 over what occupies it
               of each request, at each instant:        Σ x_o ≤ 1 over contacts grown by its spacing
               of each opportunity of a request:        Σ x_o ≤ 1
               of each period of a request:             Σ x_o ≤ the contacts that are still wanted

Where several intervals share an instant they are a clique of the interval graph, and only maximal
cliques need a row; with one antenna alone the rows have the consecutive ones property and the
linear relaxation is already whole (Kleinberg & Tardos, *Algorithm Design*, 6.1 for the problem;
Fulkerson & Gross 1965 for the matrices; both values from memory).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
PointArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

TIERS = 3
URGENT, FROZEN, ORDINARY = range(TIERS)


@dataclass(frozen=True, slots=True)
class Intervals:
    """Intervals of offers, in groups within which no two of them may share an instant.

    Attributes:
        offer, group: indices, shapes ``[m]``.
        start, end: half-open, instants in s, shapes ``[m]``.
        groups: how many groups there are.
    """

    offer: IndexArray
    group: IndexArray
    start: FloatArray
    end: FloatArray
    groups: int


@dataclass(frozen=True, slots=True)
class Members:
    """Offers in groups of which only so many may be taken.

    Attributes:
        offer, group: indices, shapes ``[m]``.
        room: how many of each group, shape ``[g]``.
    """

    offer: IndexArray
    group: IndexArray
    room: FloatArray


@dataclass(frozen=True, slots=True)
class Problem:
    """All offers and what keeps them apart.

    Attributes:
        points: of each tier, shape ``[TIERS, n]``; the first tier goes before the rest.
        day: a number that rises with time, shape ``[n]``: few offers exclude one of another day.
        apart: intervals that exclude each other: antennas, and requests with their spacing.
        at_most: groups with room for so many.
    """

    points: PointArray
    day: IndexArray
    apart: tuple[Intervals, ...]
    at_most: tuple[Members, ...]

    @property
    def count(self) -> int:
        """How many offers there are."""
        return int(self.points.shape[1])

    def only(self, offers: IndexArray) -> Problem:
        """The problem of some offers alone (ascending indices), numbered anew."""
        number = np.full(self.count, -1, dtype=np.intp)
        number[offers] = np.arange(len(offers))
        apart, at_most = [], []
        for family in self.apart:
            kept = number[family.offer] >= 0
            apart.append(
                Intervals(
                    number[family.offer[kept]],
                    family.group[kept],
                    family.start[kept],
                    family.end[kept],
                    family.groups,
                )
            )
        for members in self.at_most:
            kept = number[members.offer] >= 0
            groups, group = np.unique(members.group[kept], return_inverse=True)
            at_most.append(Members(number[members.offer[kept]], group, members.room[groups]))
        return Problem(self.points[:, offers], self.day[offers], tuple(apart), tuple(at_most))


@dataclass(frozen=True, slots=True)
class Floor:
    """A tier that was settled: its points may not fall below."""

    points: PointArray
    least: int


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows that bind some of the offers, and how to price the others by them.

    Attributes:
        matrix: sparse, one row a constraint, one column an active offer.
        room: right-hand sides.
        clique_at: by family of intervals, the instants (s) of its rows, sorted within each group,
            and the number of the row at which each group begins.
    """

    active: IndexArray
    matrix: Any
    room: FloatArray
    clique_at: tuple[tuple[FloatArray, IndexArray], ...]
    members_at: tuple[int, ...]


def rows_for(problem: Problem, active: IndexArray, floors: tuple[Floor, ...] = ()) -> Rows:
    """The constraints of a choice of offers (ascending indices)."""
    from scipy.sparse import csc_matrix

    column_of = np.full(problem.count, -1, dtype=np.intp)
    column_of[active] = np.arange(len(active))
    row_parts, column_parts, value_parts, rooms = [], [], [], []
    clique_at, members_at, row = [], [], 0
    for family in problem.apart:
        column = column_of[family.offer]
        keep = column >= 0
        instants, begins, rows, columns = _cliques(family, keep, column[keep])
        row_parts.append(rows + row)
        column_parts.append(columns)
        value_parts.append(np.ones(len(rows)))
        rooms.append(np.ones(len(instants)))
        clique_at.append((instants, begins + row))
        row += len(instants)
    for group in problem.at_most:
        column = column_of[group.offer]
        keep = column >= 0
        row_parts.append(group.group[keep] + row)
        column_parts.append(column[keep])
        value_parts.append(np.ones(int(keep.sum())))
        rooms.append(group.room)
        members_at.append(row)
        row += len(group.room)
    for floor in floors:
        counting = np.flatnonzero(floor.points[active])
        row_parts.append(np.full(len(counting), row))
        column_parts.append(counting)
        value_parts.append(-floor.points[active][counting].astype(np.float64))
        rooms.append(np.array([-float(floor.least)]))
        row += 1
    matrix = csc_matrix(
        (
            np.concatenate(value_parts),
            (np.concatenate(row_parts), np.concatenate(column_parts)),
        ),
        shape=(row, len(active)),
    )
    return Rows(active, matrix, np.concatenate(rooms), tuple(clique_at), tuple(members_at))


def _cliques(
    family: Intervals, keep: BoolArray, column: IndexArray
) -> tuple[FloatArray, IndexArray, IndexArray, IndexArray]:
    """Instants of maximal cliques, where each group's begin, and the rows' non-zeros."""
    order = np.lexsort((family.start[keep], family.group[keep]))
    group, column = family.group[keep][order], column[order]
    start, end = family.start[keep][order], family.end[keep][order]
    bounds = np.searchsorted(group, np.arange(family.groups + 1))
    instants, begins, rows, columns, row = [], np.zeros(family.groups, np.intp), [], [], 0
    for number, (low, high) in enumerate(itertools.pairwise(bounds.tolist())):
        begins[number] = row
        if low == high:
            continue
        first, last = start[low:high], end[low:high]
        at = clique_instants(first, last)
        opens = np.searchsorted(at, first, side="left")
        counts = np.searchsorted(at, last, side="left") - opens
        within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        rows.append(np.repeat(opens, counts) + within + row)
        columns.append(np.repeat(column[low:high], counts))
        instants.append(at)
        row += len(at)
    nothing = np.zeros(0, dtype=np.intp)
    return (
        np.concatenate([np.zeros(0), *instants]),
        begins,
        np.concatenate([nothing, *rows]),
        np.concatenate([nothing, *columns]),
    )


def clique_instants(start: FloatArray, end: FloatArray) -> FloatArray:
    """Instants at which the intervals that hold them are a maximal set: the last start before
    some of the intervals end."""
    starts, ends = np.unique(start), np.sort(end)
    following = np.append(starts[1:], np.inf)
    closing = np.searchsorted(ends, following, side="right") - np.searchsorted(
        ends, starts, side="right"
    )
    return starts[closing > 0]


def prices(problem: Problem, rows: Rows, duals: FloatArray) -> FloatArray:
    """What every offer, active or not, would have to pay by the rows' duals; shape ``[n]``.

    Args:
        duals: of ``rows`` (without floors), each at least 0.
    """
    paid = np.zeros(problem.count)
    for family, (instants, begins) in zip(problem.apart, rows.clique_at, strict=True):
        if not len(instants):
            continue
        first_row = int(begins[0])
        sums = np.concatenate([[0.0], np.cumsum(duals[first_row : first_row + len(instants)])])
        bounds = np.append(begins, first_row + len(instants)) - first_row
        low, high = _span_of_rows(family, instants, bounds)
        np.add.at(paid, family.offer, sums[high] - sums[low])
    for group, at in zip(problem.at_most, rows.members_at, strict=True):
        np.add.at(paid, group.offer, duals[at : at + len(group.room)][group.group])
    return paid


def _span_of_rows(
    family: Intervals, instants: FloatArray, bounds: IndexArray
) -> tuple[IndexArray, IndexArray]:
    low = np.zeros(len(family.offer), dtype=np.intp)
    high = np.zeros(len(family.offer), dtype=np.intp)
    order = np.argsort(family.group, kind="stable")
    edges = np.searchsorted(family.group[order], np.arange(family.groups + 1))
    for number in range(family.groups):
        mine = order[edges[number] : edges[number + 1]]
        at = instants[bounds[number] : bounds[number + 1]]
        low[mine] = bounds[number] + np.searchsorted(at, family.start[mine], side="left")
        high[mine] = bounds[number] + np.searchsorted(at, family.end[mine], side="left")
    return low, high
