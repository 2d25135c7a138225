"""How long to wait before something that failed is tried again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

_MOST_DOUBLINGS = 30


@dataclass(frozen=True, slots=True)
class Backoff:
    """Waits that are doubled with each failure, up to the longest.

    Attributes:
        first_s, longest_s: the first wait, and the longest (s).
        least_share: the random part: each wait is at least this share of its length, at most all
            of it, so that many who failed together do not come again together.
    """

    first_s: float
    longest_s: float
    least_share: float = 0.5

    def wait_s(self, failures: int, uniform: Callable[[float, float], float]) -> float:
        """How long (s) to wait after so many failures in a row, 1 or more.

        Args:
            uniform: gives a number between two, at random.
        """
        doubled_s = self.first_s * 2.0 ** min(max(failures - 1, 0), _MOST_DOUBLINGS)
        return min(doubled_s, self.longest_s) * uniform(self.least_share, 1.0)
