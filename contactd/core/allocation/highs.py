"""The allocation by HiGHS, through scipy: the best there is, or how far it may be from that.

A small problem goes to ``milp`` as it is; a large one by way of its linear relaxation, which
``contactd.core.allocation.large`` describes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.large import Large
from contactd.core.allocation.milp import better, exact
from contactd.core.allocation.problem import Floor, Problem
from contactd.core.allocation.search_budget import Found, Watch

BoolArray = NDArray[np.bool_]


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
    points = problem.points[tier]
    offers = np.flatnonzero(usable)
    if not points[offers].any():
        return Found(so_far, int(points[so_far].sum()), int(points[so_far].sum()))
    if len(offers) <= watch.effort.all_at_once:
        answer = exact(problem, points, offers, floors, watch.left_s())
        return better(Found(so_far, int(points[so_far].sum()), int(points[offers].sum())), answer)
    return Large(problem, points, offers, floors, watch).solve(first, so_far)
