"""How long may be looked for something better, and what a solver finds in that time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

BoolArray = NDArray[np.bool_]

ALL_AT_ONCE = 4_000
"""A problem of no more offers than this is solved in one go."""
LIMIT_S = 8.0
SHORTEST_S = 0.1


@dataclass(frozen=True, slots=True)
class Effort:
    """How long may be looked for something better.

    Attributes:
        limit_s: seconds for all of it.
        seconds: a clock that runs on; without one only each single call is bounded.
        all_at_once: up to how many offers HiGHS gets a problem in one go.
    """

    limit_s: float = LIMIT_S
    seconds: Callable[[], float] | None = None
    all_at_once: int = ALL_AT_ONCE


@dataclass(slots=True)
class Watch:
    """What is left of an effort; it begins when the watch is made."""

    effort: Effort
    began: float = field(init=False)

    def __post_init__(self) -> None:
        self.began = self.effort.seconds() if self.effort.seconds else 0.0

    def left_s(self) -> float:
        """Seconds left, but never too few to try at all."""
        if self.effort.seconds is None:
            return self.effort.limit_s
        return max(self.effort.limit_s * (1.0 - self.used()), SHORTEST_S)

    def used(self) -> float:
        """What part of the effort is used up, from 0 on."""
        if self.effort.seconds is None:
            return 0.0
        return (self.effort.seconds() - self.began) / self.effort.limit_s

    def is_over(self, share: float = 1.0) -> bool:
        """Whether that share is used up."""
        return self.used() >= share


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
