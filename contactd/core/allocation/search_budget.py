"""How much work may go into looking for something better, and what a solver finds with it.

Work is counted, never timed, so that the same question has the same answer on any machine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BoolArray = NDArray[np.bool_]

MOST_NODES = 400
"""Branch-and-bound nodes for each tier."""


@dataclass(frozen=True, slots=True)
class Effort:
    """How much work may go into looking for something better.

    Attributes:
        nodes: branch-and-bound nodes for each tier.
        starts: moments at which contacts might begin that are looked at.
    """

    nodes: int = MOST_NODES
    starts: int = 60_000


@dataclass(frozen=True, slots=True)
class Found:
    """Offers taken in one tier.

    Attributes:
        taken: mask, shape ``[n]``.
        worth: their points in the tier.
        bound: no choice is worth more.
    """

    taken: BoolArray
    worth: int
    bound: int
