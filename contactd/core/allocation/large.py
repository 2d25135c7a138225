"""Large allocations by HiGHS: from the linear relaxation to the best, or to a bound on it.

The relaxation is solved over offers of whole contacts first; then, as long as any other offer
would pay at the prices that the relaxation puts on antenna time (its duals), over those offers too
(column generation). What it is worth in the end bounds what any allocation can be worth. If it is
not whole by itself, offers are taken greedily in its order, and stretches of time are made anew
exactly, one after the other. Then every offer whose price leaves the gap between bound and
allocation open is given to ``milp``: the rest cannot be part of anything better (reduced cost
fixing). Wolsey, *Integer Programming*, 1998, chapters 7, 10 and 11, values from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.effort import Found, Watch
from contactd.core.allocation.highs import TINY, better, exact
from contactd.core.allocation.problem import Floor, Problem, Rows, prices, rows_for

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
PointArray = NDArray[np.int64]

SIMPLEX, INTERIOR_POINT = "highs-ds", "highs-ipm"
MOST_ROUNDS = 12
MOST_NEW_COLUMNS = 1_000
BLOCK_COLUMNS = 2_000
"""A block of the relaxation has whole contacts of at least one day, and hardly more than these."""
MOST_CANDIDATES = 30_000
MOST_PROVING_COLUMNS = 40_000
WINDOW_COLUMNS = 400
WINDOW_LIMIT_S = 1.0
FLOOR_PRICE = 1_000.0
WORTH_A_ROUND = 1e-6
"""What may be gained at the most, as a part of all, for another round to be worth it."""
SCARCE = 0.05
"""Antennas are scarce where the other offers may add more than this part to whole contacts."""
SIMPLEX_SHARE, RELAXING_SHARE, IMPROVING_SHARE = 0.15, 0.5, 0.85
"""Of the effort: for the simplex method's first try, until the relaxation must be done, and until
the last proof begins."""


@dataclass(frozen=True, slots=True)
class _Block:
    """The linear relaxation of some offers.

    Attributes:
        known: those of them that it was solved for.
        share: how far each of these is taken, from 0 to 1.
        gain: of all of them: points less what they would have to pay.
        bound: no choice among all of them is worth more.
    """

    known: IndexArray
    share: FloatArray
    gain: FloatArray
    bound: float
    is_solved: bool


@dataclass(frozen=True, slots=True)
class _Relaxed:
    """The linear relaxations of all blocks together.

    Attributes:
        active: offers that some block's relaxation knows.
        share: how far each offer is taken in its block's relaxation, from 0 to 1, shape ``[n]``.
        gain: of each offer: its points less what it has to pay in its block, shape ``[n]``.
        bound: no choice is worth more; and none that takes an offer of negative gain is worth
            more than this plus that gain.
    """

    active: IndexArray
    share: FloatArray
    gain: FloatArray
    bound: float


class Large:
    """A problem too large for one go.

    Its relaxation is taken apart into blocks of days. Each block has its own copy of a row that
    several share, so that the sum of their bounds is a bound of the whole, hardly a worse one.
    """

    def __init__(
        self,
        problem: Problem,
        points: PointArray,
        offers: IndexArray,
        floors: tuple[Floor, ...],
        watch: Watch,
    ) -> None:
        self.problem = problem
        self.points = points
        self.offers = offers
        self.floors = floors
        self.watch = watch
        self.usable = np.zeros(problem.count, dtype=np.bool_)
        self.usable[offers] = True
        # Instead of the rows of the tiers before: a price on every point of theirs that is missing
        # (Lagrangian relaxation). Any price gives a bound; a high one gives the right one.
        self.lifted = points.astype(np.float64)
        self.lift = 0.0
        for floor in floors:
            self.lifted = self.lifted + FLOOR_PRICE * floor.points
            self.lift += FLOOR_PRICE * floor.least

    def solve(self, first: BoolArray, so_far: BoolArray) -> Found:
        relaxed = self._relaxed((first | so_far) & self.usable)
        taken = self._greedy(relaxed, so_far)
        worth = int(self.points[taken].sum())
        bound = max(math.floor(relaxed.bound + TINY * max(relaxed.bound, 1.0)), worth)
        found = Found(taken, worth, bound)
        for step in (self._proved, self._improved, self._proved):
            if found.worth < found.bound and not self.watch.is_over():
                found = step(found, relaxed)
        return found

    def _relaxed(self, first: BoolArray) -> _Relaxed:
        share, gain = np.zeros(self.problem.count), np.zeros(self.problem.count)
        active, bound = [np.zeros(0, dtype=np.intp)], 0.0
        # Where antennas are not scarce the simplex method has the whole problem at once, and the
        # best bound; where they are, the interior point method is many times faster, in blocks.
        limit_s = SIMPLEX_SHARE * self.watch.effort.limit_s
        blocks = [self.offers]
        parts = [self._generate(self.offers, first, RELAXING_SHARE, SIMPLEX, limit_s)]
        if not parts[0].is_solved:
            blocks = self._blocks(first)
            begun = self.watch.used()
            parts = [
                self._generate(
                    block,
                    first,
                    begun + (RELAXING_SHARE - begun) * (number + 1) / len(blocks),
                    INTERIOR_POINT,
                    self.watch.left_s(),
                )
                for number, block in enumerate(blocks)
            ]
        for block, part in zip(blocks, parts, strict=True):
            share[part.known] = part.share
            gain[block] = part.gain
            active.append(part.known)
            bound += part.bound
        return _Relaxed(np.sort(np.concatenate(active)), share, gain, bound - self.lift)

    def _blocks(self, first: BoolArray) -> list[IndexArray]:
        """Usable offers, days together that have few enough of those to begin with."""
        days, count = np.unique(self.problem.day[first], return_counts=True)
        which = np.concatenate([[0], np.cumsum(count)[:-1] // BLOCK_COLUMNS])
        at = np.clip(
            np.searchsorted(days, self.problem.day[self.offers], side="right") - 1, 0, None
        )
        of_offer = which[np.minimum(at, len(which) - 1)]
        return [self.offers[of_offer == number] for number in np.unique(of_offer)]

    def _generate(
        self, block: IndexArray, first: BoolArray, until: float, method: str, limit_s: float
    ) -> _Block:
        """The relaxation of a block over whole contacts, then over whatever else would pay."""
        mine = self.problem.only(block)
        points = self.lifted[block]
        active = known = np.flatnonzero(first[block])
        share, gain, bound, solved = np.zeros(len(active)), points, float(points.sum()), False
        for _ in range(MOST_ROUNDS):
            rows = rows_for(mine, active)
            answer = _linear(points[active], rows, method, limit_s)
            if answer is None:
                break
            known, (share, duals), solved = active, answer, True
            gain = points - prices(mine, rows, duals)
            # What would still pay can do so at the most once for each opportunity that it serves.
            once = mine.at_most[0]
            most = np.zeros(len(once.room))
            np.maximum.at(most, once.group, gain[once.offer])
            bound = float(rows.room @ duals) + float(most.sum())
            pays = np.flatnonzero(gain > TINY)
            if method == SIMPLEX and most.sum() > SCARCE * bound:
                solved = False
                break
            if most.sum() <= WORTH_A_ROUND * bound or self.watch.is_over(until):
                break
            pays = pays[np.argsort(-gain[pays], kind="stable")]
            # The best for each opportunity, for that is what the bound counts; and the best of all.
            served = np.zeros(len(block), dtype=np.intp)
            served[once.offer] = once.group
            best = np.unique(served[pays], return_index=True)[1]
            active = np.union1d(active, np.union1d(pays[best], pays[:MOST_NEW_COLUMNS]))
        return _Block(block[known], share, gain, bound, solved)

    def _greedy(self, relaxed: _Relaxed, so_far: BoolArray) -> BoolArray:
        """Offers in the order of the relaxation, each taken if it still fits; the better of this
        and what there was."""
        held = np.flatnonzero(so_far & (self._floor_points() > 0))
        columns = np.union1d(self._candidates(relaxed), held)
        rank = np.lexsort((-self.points[columns], -relaxed.gain[columns], -relaxed.share[columns]))
        fit = _Fit(rows_for(self.problem, columns))
        fit.take(np.searchsorted(columns, held))
        fit.take(rank)
        taken = np.zeros(self.problem.count, dtype=np.bool_)
        taken[columns[fit.taken]] = True
        return taken if self.points[taken].sum() >= self.points[so_far].sum() else so_far

    def _candidates(self, relaxed: _Relaxed) -> IndexArray:
        """Offers that look best at the relaxation's prices, beside those that it knows."""
        order = np.argsort(-relaxed.gain[self.offers], kind="stable")
        return np.union1d(relaxed.active, self.offers[order][:MOST_CANDIDATES])

    def _floor_points(self) -> PointArray:
        total = np.zeros(self.problem.count, dtype=np.int64)
        for floor in self.floors:
            total += floor.points
        return total

    def _improved(self, found: Found, relaxed: _Relaxed) -> Found:
        """Stretches of time made anew, one after the other, while the rest stands."""
        columns = self._candidates(relaxed)
        near = relaxed.gain[columns] > -(relaxed.bound - found.worth)
        columns = np.union1d(columns[near], np.flatnonzero(found.taken))
        family = self.problem.apart[0]
        middle = np.zeros(self.problem.count)
        middle[family.offer] = (family.start + family.end) / 2
        columns = columns[np.argsort(middle[columns], kind="stable")]
        lows = range(-(WINDOW_COLUMNS // 2), len(columns), WINDOW_COLUMNS // 2)
        windows = [columns[max(low, 0) : low + WINDOW_COLUMNS] for low in lows]
        best, before = found, -1
        while best.worth > before:
            before = best.worth
            # Most is lost where the relaxation had most that was not taken.
            lost = self.points * (relaxed.share - best.taken)
            for window in sorted(windows, key=lambda each: -float(lost[each].sum())):
                if best.worth >= best.bound or self.watch.is_over(IMPROVING_SHARE):
                    return best
                if lost[window].sum() > 0:
                    best = self._window(best, np.sort(window))
        return best

    def _window(self, best: Found, columns: IndexArray) -> Found:
        """The best choice among some columns while everything else stands."""
        from scipy.optimize import Bounds, LinearConstraint, milp

        if not len(columns):
            return best
        standing = best.taken.copy()
        standing[columns] = False
        both = np.union1d(columns, np.flatnonzero(standing))
        rows = rows_for(self.problem, both, self.floors)
        fixed = standing[both]
        room = rows.room - rows.matrix @ fixed.astype(np.float64)
        free = rows.matrix[:, ~fixed]
        binding = np.flatnonzero(np.diff(free.tocsr().indptr))
        value = self.points[both[~fixed]].astype(np.float64)
        answer = milp(
            -value,
            constraints=LinearConstraint(free[binding], -np.inf, room[binding]),
            bounds=Bounds(0.0, 1.0),
            integrality=np.ones(len(value)),
            options={"mip_rel_gap": 0.0, "time_limit": min(WINDOW_LIMIT_S, self.watch.left_s())},
        )
        if answer.x is None:
            return best
        taken = standing
        taken[both[~fixed][answer.x > 0.5]] = True
        worth = int(self.points[taken].sum())
        return Found(taken, worth, best.bound) if worth > best.worth else best

    def _proved(self, found: Found, relaxed: _Relaxed) -> Found:
        """The best of all offers that could be part of something better, if they are few."""
        gap = relaxed.bound - found.worth
        matter = self.usable & (relaxed.gain >= -gap - TINY)
        columns = np.union1d(np.flatnonzero(matter), np.flatnonzero(found.taken))
        if len(columns) > MOST_PROVING_COLUMNS:
            return found
        limit_s = self.watch.left_s()
        return better(found, exact(self.problem, self.points, columns, self.floors, limit_s))


class _Fit:
    """Takes columns as long as they fit."""

    def __init__(self, rows: Rows) -> None:
        self._pointers, self._rows = rows.matrix.indptr, rows.matrix.indices
        self._room = rows.room.copy()
        self.taken = np.zeros(rows.matrix.shape[1], dtype=np.bool_)

    def take(self, columns: IndexArray) -> None:
        """Each of the columns, in that order, that fits."""
        pointers, rows, room = self._pointers, self._rows, self._room
        for column in columns.tolist():
            mine = rows[pointers[column] : pointers[column + 1]]
            if not self.taken[column] and (room[mine] >= 1.0).all():
                room[mine] -= 1.0
                self.taken[column] = True


def _linear(
    value: FloatArray, rows: Rows, method: str, limit_s: float
) -> tuple[FloatArray, FloatArray] | None:
    """The relaxation's solution and its duals (at least 0); None if there was no time."""
    from scipy.optimize import linprog

    answer = linprog(
        -value,
        A_ub=rows.matrix,
        b_ub=rows.room,
        bounds=(0.0, None),
        method=method,
        options={"time_limit": limit_s},
    )
    if answer.status != 0:
        return None
    return np.asarray(answer.x), np.maximum(-answer.ineqlin.marginals, 0.0)
