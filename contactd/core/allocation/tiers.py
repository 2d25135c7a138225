"""Tier after tier: what is urgent, what is frozen, contacts, comfort."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.milp import Fit, Solve, better
from contactd.core.allocation.problem import Floor, Problem, TierKind, rows_for
from contactd.core.allocation.search_budget import Effort, Found

PointArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

MOST_FOR_COMFORT = 2_500
"""For more offers than these comfort is only improved, one contact after the other."""


@dataclass(frozen=True, slots=True)
class Choice:
    """The offers that are taken, and what is known of each tier.

    Attributes:
        taken: mask, shape ``[n]``.
        tiers: worth and bound of each.
    """

    taken: BoolArray
    tiers: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class Bounds:
    """What is known to be the most, apart from what solvers prove.

    Attributes:
        comfort: of each offer, however long it becomes, shape ``[n]``.
        all_comfort: of all together.
        contacts: of contacts, each as often as its priority says; None where a bound over the
            offers bounds every schedule.
        is_urgent_complete: whether a bound over the offers bounds all that is urgent.
    """

    comfort: PointArray
    all_comfort: int
    contacts: Callable[[], int] | None
    is_urgent_complete: bool


def choose(
    problem: Problem, is_whole: BoolArray, bounds: Bounds, solve: Solve, effort: Effort
) -> Choice:
    """The best choice of offers that so much work finds; never worse than the greedy one.

    Args:
        is_whole: offers that are for comfort only, shape ``[n]``.
    """
    fit = Fit(rows_for(problem, np.arange(problem.count)))
    order = _by_points(problem)
    work = _Work(problem, fit, solve, effort, order)
    greedy = fit.filled(np.zeros(problem.count, np.bool_), order[~is_whole[order]].tolist())
    taken, usable = np.zeros((2, problem.count), dtype=np.bool_)
    urgent = _only_urgent(problem)
    floors: tuple[Floor, ...] = ()
    found: list[Found] = []
    for row, tier in enumerate(problem.tiers):
        points = problem.points[row]
        if tier.is_urgent:
            usable = usable | (urgent & (points > 0) & ~is_whole)
        elif tier.kind is not TierKind.COMFORT:
            usable = usable | ((points > 0) & ~is_whole)
        if tier.kind is TierKind.COMFORT:
            each = work.comfort(usable, is_whole, floors, taken, bounds)
        else:
            each = work.tier(points, usable, floors, taken, greedy)
        # What a solver proves over the offers bounds every schedule only if none needs others.
        open_contacts = tier.kind is TierKind.CONTACTS and bounds.contacts is not None
        if open_contacts or (tier.is_urgent and not bounds.is_urgent_complete):
            most = _room(problem, np.where(usable, points, 0))
            if bounds.contacts is not None and open_contacts and each.worth < most:
                most = min(most, bounds.contacts())
            each = replace(each, bound=max(most, each.worth))
        if each.worth:
            floors = (*floors, Floor(points, each.worth))
        taken = each.taken
        found.append(each)
    worth = problem.points[:, taken].sum(axis=1).tolist()
    if problem.points[:, greedy].sum(axis=1).tolist() > worth:
        taken, worth = greedy, problem.points[:, greedy].sum(axis=1).tolist()
    return Choice(
        taken,
        tuple(
            Found(taken, value, max(each.bound, value))
            for value, each in zip(worth, found, strict=True)
        ),
    )


def _room(problem: Problem, points: PointArray) -> int:
    """What all periods together have room for, were there antennas enough."""
    once, limit = problem.at_most
    limited = np.zeros(problem.count, dtype=np.bool_)
    limited[limit.offer] = True
    total = 0.0
    for members in (limit, once):
        mine = limited[members.offer] == (members is limit)
        best = np.zeros(len(members.room))
        np.maximum.at(best, members.group[mine], points[members.offer[mine]])
        total += float((best * members.room).sum())
    return int(total)


def _only_urgent(problem: Problem) -> BoolArray:
    """Offers that serve nothing but urgent requests."""
    kinds = [tier.kind for tier in problem.tiers]
    ordinary = problem.points[kinds.index(TierKind.CONTACTS)]
    return np.asarray(ordinary == 0)


def _by_points(problem: Problem) -> NDArray[np.intp]:
    """Offers from the one that counts most on, tier before tier."""
    return np.lexsort(-problem.points[::-1])


@dataclass(frozen=True, slots=True)
class _Work:
    problem: Problem
    fit: Fit
    solve: Solve
    effort: Effort
    order: IndexArray

    def tier(
        self,
        points: PointArray,
        usable: BoolArray,
        floors: tuple[Floor, ...],
        so_far: BoolArray,
        greedy: BoolArray,
    ) -> Found:
        """The best choice for one tier that keeps to the floors."""
        columns = np.flatnonzero(usable)
        order = self.order[usable[self.order]]
        filled = self.fit.filled(so_far, order[points[order] > 0].tolist())
        most = min(int(points[columns].sum()), _room(self.problem, np.where(usable, points, 0)))
        start = Found(filled, int(points[filled].sum()), most)
        only = greedy & usable
        if all(int(floor.points[only].sum()) >= floor.least for floor in floors):
            start = better(start, Found(only, int(points[only].sum()), start.bound))
        if start.worth >= start.bound:
            return start
        nodes = self.effort.nodes
        return better(start, self.solve(self.problem, points, columns, floors, start.taken, nodes))

    def comfort(
        self,
        usable: BoolArray,
        is_whole: BoolArray,
        floors: tuple[Floor, ...],
        so_far: BoolArray,
        bounds: Bounds,
    ) -> Found:
        """The most comfort, with all that counts before it held."""
        points = self.problem.points[-1]
        begun = Found(so_far, int(points[so_far].sum()), bounds.all_comfort)
        columns = np.flatnonzero(usable | is_whole)
        if not len(columns) or not bounds.all_comfort:
            return replace(begun, bound=begun.worth)
        if len(columns) > MOST_FOR_COMFORT:
            taken = self.fit.exchanged(so_far, self._alike(), points)
            return Found(taken, int(points[taken].sum()), bounds.all_comfort)
        nodes = self.effort.nodes
        best = self.solve(self.problem, points, columns, floors, so_far, nodes)
        found = begun if best is None or best.worth < begun.worth else best
        shortest = np.flatnonzero(usable)
        most = self.solve(self.problem, bounds.comfort, shortest, floors, so_far, nodes)
        bound = bounds.all_comfort if most is None else min(most.bound, bounds.all_comfort)
        return Found(found.taken, found.worth, bound)

    def _alike(self) -> IndexArray:
        """A number for each offer: those of one number serve one request alone, in one period, and
        that is not urgent; -1 for all others."""
        once, limit = self.problem.at_most
        alone = np.bincount(once.offer, minlength=self.problem.count) == 1
        kinds = [tier.kind for tier in self.problem.tiers]
        alone &= self.problem.points[: kinds.index(TierKind.CONTACTS)].sum(axis=0) == 0
        found = np.full(self.problem.count, -1, dtype=np.intp)
        found[limit.offer] = limit.group
        return np.where(alone, found, -1)
