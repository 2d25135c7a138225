"""The linear relaxation of a large allocation, by column generation; in blocks where it must be.

A price on each row (its dual) bounds the whole from above: with y at least 0, no choice x is worth
more than ``Σ room·y + Σ_o (points_o − what o pays)·x_o``, and of the second sum each opportunity
counts once at the most, with its best offer. The prices of the relaxation over some offers give
such a bound, though not a good one as long as offers are missing that would pay; a mean of them and
of the best prices so far gives a better one much sooner (smoothing of the duals: Wentges 1997,
value from memory), and such a mean is a price as well.

Where several blocks share a row, each has a copy of it. The highest of the prices that they put
on it holds for all of them: what it costs then counts once and not in each.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.problem import Problem, Rows, prices, rows_for

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

SIMPLEX, INTERIOR_POINT = "highs-ds", "highs-ipm"
TINY = 1e-6
MOST_ROUNDS = 16
NEW_COLUMNS = 0.02
"""Of all offers, this part is added in each round at the most, beside the best for each contact."""
ROUGH = 0.05
"""Offers that cost this part of their points more than they count are left out again."""
SHARES_OF_BEST = (0.0, 0.3, 0.6, 0.8, 0.9, 0.95)
"""How much of the best prices so far the means have that are tried."""
WORTH_A_ROUND = 1e-6
"""What may be gained at the most, as a part of all, for another round to be worth it."""
SCARCE = 0.05
"""Antennas are scarce where the other offers may add more than this part to what is likely."""


@dataclass(frozen=True, slots=True)
class Prices:
    """Prices on the rows, as far as they matter for offers.

    Attributes:
        paid: what each offer pays, shape ``[n]``.
        cost: the sum of every row's room times its price.
        limits: the prices of the last family of groups, shape ``[groups]``.
    """

    paid: FloatArray
    cost: float
    limits: FloatArray

    def mixed(self, other: Prices, share: float) -> Prices:
        """So much of the other's, and the rest of this one's."""
        return Prices(
            (1 - share) * self.paid + share * other.paid,
            (1 - share) * self.cost + share * other.cost,
            (1 - share) * self.limits + share * other.limits,
        )


@dataclass(frozen=True, slots=True)
class Part:
    """The relaxation of some offers.

    Attributes:
        known: those of them that it was solved for.
        share: how far each of these is taken, from 0 to 1.
        prices: the best that were found, of all of them in their order; ``limits`` as the whole
            problem numbers its groups.
        is_solved: whether it is of any use.
    """

    known: IndexArray
    share: FloatArray
    prices: Prices
    is_solved: bool


def generate(
    problem: Problem,
    points: FloatArray,
    block: IndexArray,
    first: BoolArray,
    method: str,
    limit_s: float,
    is_over: Callable[[], bool],
) -> Part:
    """The relaxation of a block of offers: over the likely ones, then over whatever would pay.

    Args:
        points: of every offer of the problem, shape ``[n]``.
        block: the offers, ascending.
        first: those to begin with, mask of shape ``[n]``.
        limit_s: seconds for each relaxation.
        is_over: whether there is no time for another round.
    """
    mine, points = problem.only(block), points[block]
    once = mine.at_most[0]
    active = known = np.flatnonzero(first[block])
    share, solved = np.zeros(len(active)), False
    groups = np.unique(problem.at_most[-1].group[np.isin(problem.at_most[-1].offer, block)])
    best = Prices(np.zeros(len(block)), 0.0, np.zeros(len(groups)))
    least = bound_at(mine, points, best)
    for _ in range(MOST_ROUNDS):
        # The interior point method does not look at its limit often enough.
        if is_over() and (solved or method == INTERIOR_POINT):
            break
        rows = rows_for(mine, active)
        answer = linear(points[active], rows, method, limit_s)
        if answer is None:
            break
        known, (share, duals), solved = active, answer, True
        told = _told(mine, rows, duals)
        value = float(rows.room @ duals)
        if method == SIMPLEX and bound_at(mine, points, told) > (1.0 + SCARCE) * value:
            least, best, solved = bound_at(mine, points, told), told, False
            break
        tried = [told.mixed(best, share_of_best) for share_of_best in SHARES_OF_BEST]
        bounds = [bound_at(mine, points, each) for each in tried]
        centre = tried[int(np.argmin(bounds))]
        if min(bounds) < least:
            least, best = min(bounds), centre
        if least - value <= WORTH_A_ROUND * value:
            break
        gain = points - told.paid
        pays = np.flatnonzero(gain > TINY)
        # First what pays at the better prices as well: the others are seldom taken in the end.
        smooth = (points - centre.paid)[pays]
        pays = pays[np.lexsort((-gain[pays], -smooth))]
        served = np.zeros(len(block), dtype=np.intp)
        served[once.offer] = once.group
        # The best for each opportunity, for that is what the bound counts; and the best of all.
        of_each = np.unique(served[pays], return_index=True)[1]
        kept = active[(share > TINY) | (gain[active] > -ROUGH * points[active])]
        active = np.union1d(
            kept, np.union1d(pays[of_each], pays[: int(NEW_COLUMNS * len(block)) + 1])
        )
    limits = np.zeros(len(problem.at_most[-1].room))
    limits[groups] = best.limits
    return Part(block[known], share, Prices(best.paid, best.cost, limits), solved)


def together(
    problem: Problem, points: FloatArray, blocks: Sequence[IndexArray], parts: Sequence[Part]
) -> tuple[FloatArray, float]:
    """What each offer gains beyond its price, shape ``[n]``, and the bound of the whole."""
    limit = problem.at_most[-1]
    highest = np.max([part.prices.limits for part in parts], axis=0)
    paid, cost = np.zeros(problem.count), float(limit.room @ highest)
    before = np.zeros((problem.count, 1))[:, 0]
    usable = np.zeros(problem.count, dtype=np.bool_)
    for block, part in zip(blocks, parts, strict=True):
        paid[block], usable[block] = part.prices.paid, True
        cost += part.prices.cost - float(limit.room @ part.prices.limits)
        mine = np.zeros(problem.count, dtype=np.bool_)
        mine[block] = True
        members = mine[limit.offer]
        group, offer = limit.group[members], limit.offer[members]
        np.add.at(before, offer, part.prices.limits[group])
    np.add.at(paid, limit.offer, highest[limit.group])
    paid -= before
    gain = np.where(usable, points - paid, -np.inf)
    bound = cost + float(_most(problem, gain).sum())
    return np.where(usable, gain, 0.0), bound


def bound_at(problem: Problem, points: FloatArray, at: Prices) -> float:
    """No choice is worth more, by these prices."""
    return at.cost + float(_most(problem, points - at.paid).sum())


def _most(problem: Problem, gain: FloatArray) -> FloatArray:
    """The greatest gain of any offer for each opportunity; at least 0."""
    once = problem.at_most[0]
    most = np.zeros(len(once.room))
    np.maximum.at(most, once.group, gain[once.offer])
    return most


def _told(problem: Problem, rows: Rows, duals: FloatArray) -> Prices:
    at = rows.members_at[-1]
    limits = duals[at : at + len(problem.at_most[-1].room)]
    return Prices(prices(problem, rows, duals), float(rows.room @ duals), limits)


def linear(
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
