"""The allocation by HiGHS, through scipy: the best there is, or how far it may be from that.

A small problem goes to ``milp`` as it is; a large one by way of its linear relaxation, which
``contactd.core.allocation.large`` describes.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.problem import Floor, Problem, rows_for
from contactd.core.allocation.search_budget import Found, Watch

IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
PointArray = NDArray[np.int64]

TINY = 1e-6


def solve(
    problem: Problem,
    tier: int,
    floors: tuple[Floor, ...],
    usable: BoolArray,
    first: BoolArray,
    so_far: BoolArray,
    watch: Watch,
) -> Found:
    """The best choice of offers for one tier.

    Args:
        floors: the tiers before it.
        usable: offers that may be taken, mask of shape ``[n]``.
        first: offers to begin with: those of whole contacts.
        so_far: a choice that keeps to the floors.
    """
    from contactd.core.allocation.large import Large

    points = problem.points[tier]
    offers = np.flatnonzero(usable)
    if not points[offers].any():
        return Found(so_far, int(points[so_far].sum()), int(points[so_far].sum()))
    if len(offers) <= watch.effort.all_at_once:
        answer = exact(problem, points, offers, floors, watch.left_s())
        return better(Found(so_far, int(points[so_far].sum()), int(points[offers].sum())), answer)
    return Large(problem, points, offers, floors, watch).solve(first, so_far)


def better(one: Found, other: Found | None) -> Found:
    if other is None:
        return one
    best = other if other.worth > one.worth else one
    return Found(best.taken, best.worth, max(min(one.bound, other.bound), best.worth))


def exact(
    problem: Problem,
    points: PointArray,
    columns: IndexArray,
    floors: tuple[Floor, ...],
    limit_s: float,
) -> Found | None:
    """The best choice among the columns, by ``milp``; None if there was no time to find any."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    rows = rows_for(problem, columns, floors)
    value = points[columns].astype(np.float64)
    answer = milp(
        -value,
        constraints=LinearConstraint(rows.matrix, -np.inf, rows.room),
        bounds=Bounds(0.0, 1.0),
        integrality=np.ones(len(columns)),
        options={"mip_rel_gap": 0.0, "time_limit": limit_s},
    )
    bound = value.sum() if answer.mip_dual_bound is None else -answer.mip_dual_bound
    whole_bound = (
        math.floor(bound + TINY * max(abs(bound), 1.0)) if np.isfinite(bound) else int(value.sum())
    )
    if answer.x is None:
        return None
    taken = np.zeros(problem.count, dtype=np.bool_)
    taken[columns[answer.x > 0.5]] = True
    worth = int(points[taken].sum())
    return Found(taken, worth, worth if answer.status == 0 else max(whole_bound, worth))
