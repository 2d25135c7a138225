"""What is known of the last sharing of station time."""

from __future__ import annotations

import math
from dataclasses import dataclass

from contactd.core.allocation.result import Allocation

WAIT_S = 10.0
"""So long at the most forecasts wait for what a change means for what is granted: with what was
granted before, a step that has just been started would have no station, and all would be alarmed.
"""

Inputs = tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Shared:
    """What is known of the last sharing.

    Attributes:
        asked: what the one that is being made rests on; None if none is.
        done: what the last one rested on.
        unsettled_since: since when (instant, s) something has changed of that; None if nothing has.
        latest: the last allocation, with what fell short.
        problem: why the last attempt failed, or "".
        retry_at: instant (s) before which a failed one is not tried again.
    """

    asked: Inputs | None = None
    done: Inputs | None = None
    unsettled_since: float | None = None
    latest: Allocation | None = None
    problem: str = ""
    retry_at: float = -math.inf


NOT_SHARED = Shared()
