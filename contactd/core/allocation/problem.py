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
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
PointArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


class TierKind(StrEnum):
    """What a tier counts."""

    SERVED = "urgent"  # urgent requests of one priority that are served
    LATENESS = "lateness"  # how late the stops among them can be sent, in steps
    SECONDS = "seconds"  # the same to the second, as far as what is offered tells them apart
    FROZEN = "frozen"  # grants that are too near to be moved
    CONTACTS = "contacts"  # contacts, each as often as its request's priority says
    COMFORT = "comfort"  # length, preferred stations, what was granted before


@dataclass(frozen=True, slots=True)
class Tier:
    """What counts before everything in later tiers.

    Attributes:
        priority: of the urgent requests that it counts; 0 for other tiers.
    """

    kind: TierKind
    priority: int = 0

    @property
    def is_urgent(self) -> bool:
        """Whether it counts urgent requests."""
        return self.kind in (TierKind.SERVED, TierKind.LATENESS, TierKind.SECONDS)


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
        tiers: the first goes before all the rest together, and so on.
        points: of each tier, shape ``[tiers, n]``.
        apart: intervals that exclude each other: antennas, and requests with their spacing.
        at_most: groups with room for so many: opportunities, and periods of requests.
    """

    tiers: tuple[Tier, ...]
    points: PointArray
    apart: tuple[Intervals, ...]
    at_most: tuple[Members, ...]

    @property
    def count(self) -> int:
        """How many offers there are."""
        return int(self.points.shape[1])


@dataclass(frozen=True, slots=True)
class Floor:
    """A tier that was settled: its points may not fall below."""

    points: PointArray
    least: int


@dataclass(frozen=True, slots=True)
class Rows:
    """The rows that bind some of the offers.

    Attributes:
        matrix: sparse, one row a constraint, one column an active offer.
        room: right-hand sides.
    """

    matrix: Any
    room: FloatArray


def rows_for(problem: Problem, active: IndexArray, floors: tuple[Floor, ...] = ()) -> Rows:
    """The constraints of a choice of offers (ascending indices)."""
    from scipy.sparse import csc_matrix

    column_of = np.full(problem.count, -1, dtype=np.intp)
    column_of[active] = np.arange(len(active))
    row_parts, column_parts, value_parts, rooms = [], [], [], []
    row = 0
    for family in problem.apart:
        column = column_of[family.offer]
        keep = column >= 0
        count, rows, columns = _cliques(family, keep, column[keep])
        row_parts.append(rows + row)
        column_parts.append(columns)
        value_parts.append(np.ones(len(rows)))
        rooms.append(np.ones(count))
        row += count
    for group in problem.at_most:
        column = column_of[group.offer]
        keep = column >= 0
        row_parts.append(group.group[keep] + row)
        column_parts.append(column[keep])
        value_parts.append(np.ones(int(keep.sum())))
        rooms.append(group.room)
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
    binding = np.flatnonzero(np.diff(matrix.tocsr().indptr) > np.concatenate(rooms).clip(min=0.0))
    floored = np.arange(row - len(floors), row)
    kept = np.union1d(binding, floored)
    return Rows(matrix.tocsr()[kept].tocsc(), np.concatenate(rooms)[kept])


def _cliques(
    family: Intervals, keep: BoolArray, column: IndexArray
) -> tuple[int, IndexArray, IndexArray]:
    """How many maximal cliques there are, and the non-zeros of their rows."""
    order = np.lexsort((family.start[keep], family.group[keep]))
    group, column = family.group[keep][order], column[order]
    start, end = family.start[keep][order], family.end[keep][order]
    bounds = np.searchsorted(group, np.arange(family.groups + 1))
    rows, columns, row = [], [], 0
    for low, high in itertools.pairwise(bounds.tolist()):
        if low == high:
            continue
        first, last = start[low:high], end[low:high]
        at = clique_instants(first, last)
        opens = np.searchsorted(at, first, side="left")
        counts = np.searchsorted(at, last, side="left") - opens
        within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        rows.append(np.repeat(opens, counts) + within + row)
        columns.append(np.repeat(column[low:high], counts))
        row += len(at)
    nothing = np.zeros(0, dtype=np.intp)
    return row, np.concatenate([nothing, *rows]), np.concatenate([nothing, *columns])


def clique_instants(start: FloatArray, end: FloatArray) -> FloatArray:
    """Instants at which the intervals that hold them are a maximal set: the last start before
    some of the intervals end."""
    starts, ends = np.unique(start), np.sort(end)
    following = np.append(starts[1:], np.inf)
    closing = np.searchsorted(ends, following, side="right") - np.searchsorted(
        ends, starts, side="right"
    )
    return starts[closing > 0]
