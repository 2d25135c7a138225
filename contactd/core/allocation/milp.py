"""One allocation problem given whole to HiGHS, through scipy's ``milp``."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.problem import Floor, Problem, rows_for
from contactd.core.allocation.search_budget import Found

IndexArray = NDArray[np.intp]
PointArray = NDArray[np.int64]

TINY = 1e-6


def better(one: Found, other: Found | None) -> Found:
    """The choice of the two that is worth more, with the lower of their bounds."""
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
