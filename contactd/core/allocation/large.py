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

from contactd.core.allocation.milp import TINY, better, exact
from contactd.core.allocation.problem import Floor, Problem, Rows, prices, rows_for
from contactd.core.allocation.relaxation import (
    INTERIOR_POINT,
    SIMPLEX,
    Part,
    generate,
    linear,
    together,
)
from contactd.core.allocation.search_budget import Found, Watch

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
PointArray = NDArray[np.int64]

BLOCK_COLUMNS = 2_000
"""A block of the relaxation has whole contacts of at least one day, and hardly more than these."""
MOST_AT_ONCE = 120_000
"""Of more likely offers than these the relaxation is not even tried in one go."""
MOST_CANDIDATES = 30_000
MOST_PROVING_COLUMNS = 40_000
WINDOW_COLUMNS = 400
WINDOW_LIMIT_S = 1.0
FLOOR_PRICE = 1_000.0
SIMPLEX_SHARE, RELAXING_SHARE, IMPROVING_SHARE = 0.6, 0.6, 0.85
"""Of the effort: for the simplex method's first try, until the relaxation must be done, and until
the last proof begins."""


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

    Its relaxation is taken apart into blocks of days where it is too large for one go.
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
        self.floors = floors
        self.watch = watch
        self.usable = np.zeros(problem.count, dtype=np.bool_)
        self.usable[offers] = True
        for floor in floors:
            self.usable &= ~self._breaks(floor)
        self.offers = np.flatnonzero(self.usable)
        # Instead of the rows of the tiers before: a price on every point of theirs that is missing
        # (Lagrangian relaxation). Any price gives a bound; a high one gives the right one.
        self.lifted = points.astype(np.float64)
        self.lift = 0.0
        for floor in floors:
            self.lifted = self.lifted + FLOOR_PRICE * floor.points
            self.lift += FLOOR_PRICE * floor.least

    def _breaks(self, floor: Floor) -> BoolArray:
        """Offers that no choice has that keeps to a floor: reduced cost fixing, by the relaxation
        over the floor's own offers.

        Without these it seldom happens that several blocks have an offer each for what can be
        served once only, and each counts it.
        """
        counting = np.flatnonzero(floor.points * self.usable)
        out = np.zeros(self.problem.count, dtype=np.bool_)
        if not len(counting) or len(counting) > MOST_CANDIDATES:
            return out
        mine = self.problem.only(counting)
        value = floor.points[counting].astype(np.float64)
        rows = rows_for(mine, np.arange(len(counting)))
        answer = linear(value, rows, SIMPLEX, SIMPLEX_SHARE * self.watch.left_s())
        if answer is not None:
            gain = value - prices(mine, rows, answer[1])
            bound = float(rows.room @ answer[1]) + float(np.maximum(gain, 0.0).sum())
            out[counting[gain < floor.least - bound - TINY]] = True
        return out

    def solve(self, first: BoolArray, so_far: BoolArray) -> Found:
        found, relaxed = self._begun(first, so_far)
        for step in (self._proved, self._improved, self._proved):
            if found.worth < found.bound and not self.watch.is_over():
                found = step(found, relaxed)
        return found

    def begun(self, first: BoolArray, so_far: BoolArray) -> tuple[Found, IndexArray]:
        """A good choice with a bound on all others, and the offers worth looking at for a better
        one."""
        found, relaxed = self._begun(first, so_far)
        near = self.usable & (relaxed.gain > -(relaxed.bound - found.worth))
        order = np.argsort(-np.where(near, relaxed.gain, -np.inf), kind="stable")
        best = order[: min(MOST_CANDIDATES, int(near.sum()))]
        return found, np.union1d(np.flatnonzero(found.taken), np.union1d(best, relaxed.active))

    def _begun(self, first: BoolArray, so_far: BoolArray) -> tuple[Found, _Relaxed]:
        # All of those that the floors count, or whatever is missing of them would seem to pay most.
        floored = self._floor_points() > 0
        relaxed = self._relaxed((first | so_far | floored) & self.usable)
        taken = self._greedy(relaxed, so_far)
        worth = int(self.points[taken].sum())
        bound = max(math.floor(relaxed.bound + TINY * max(relaxed.bound, 1.0)), worth)
        return Found(taken, worth, bound), relaxed

    def _relaxed(self, first: BoolArray) -> _Relaxed:
        share = np.zeros(self.problem.count)
        active = [np.zeros(0, dtype=np.intp)]
        # Where antennas are not scarce the simplex method has the whole problem at once, and the
        # best bound; where they are, the interior point method is many times faster, in blocks.
        limit_s = SIMPLEX_SHARE * self.watch.effort.limit_s
        blocks, parts = [self.offers], list[Part]()
        if first.sum() <= MOST_AT_ONCE:
            parts = [self._generate(self.offers, first, RELAXING_SHARE, SIMPLEX, limit_s)]
        if not parts or not parts[0].is_solved:
            first = first | self._shortest()
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
        for part in parts:
            share[part.known] = part.share
            active.append(part.known)
        gain, bound = together(self.problem, self.lifted, blocks, parts)
        return _Relaxed(np.sort(np.concatenate(active)), share, gain, bound - self.lift)

    def _generate(
        self, block: IndexArray, first: BoolArray, until: float, method: str, limit_s: float
    ) -> Part:
        return generate(
            self.problem, self.lifted, block, first, method, limit_s,
            lambda: self.watch.is_over(until),
        )  # fmt: skip

    def _shortest(self) -> BoolArray:
        """Of each opportunity the shortest offers of it alone, the earliest and the latest of
        them: where antennas are scarce, these are what is taken."""
        once, family = self.problem.at_most[0], self.problem.apart[0]
        start, end = np.full(self.problem.count, np.inf), np.full(self.problem.count, -np.inf)
        np.minimum.at(start, family.offer, family.start)
        np.maximum.at(end, family.offer, family.end)
        alone = np.bincount(once.offer, minlength=self.problem.count)[once.offer] == 1
        alone &= self.usable[once.offer]
        offer, group = once.offer[alone], once.group[alone]
        found = np.zeros(self.problem.count, dtype=np.bool_)
        for then in (start[offer], -start[offer]):
            order = np.lexsort((then, (end - start)[offer], group))
            fresh = np.append(True, np.diff(group[order]) > 0)[: len(order)]
            found[offer[order[fresh]]] = True
        return found

    def _blocks(self, first: BoolArray) -> list[IndexArray]:
        """Usable offers, days together that have few enough of those to begin with."""
        days, count = np.unique(self.problem.day[first], return_counts=True)
        which = np.concatenate([[0], np.cumsum(count)[:-1] // BLOCK_COLUMNS])
        at = np.clip(
            np.searchsorted(days, self.problem.day[self.offers], side="right") - 1, 0, None
        )
        of_offer = which[np.minimum(at, len(which) - 1)]
        return [self.offers[of_offer == number] for number in np.unique(of_offer)]

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
