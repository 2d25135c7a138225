"""A track run through some seconds early or late."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.intervals import IntervalSet
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class OffsetTrack:
    """Another track's motion, so many seconds ahead of it (negative: behind).

    In space the path is the same; the Earth below has turned meanwhile.
    """

    track: Track
    ahead_s: float

    @property
    def name(self) -> str:
        """The other track's name."""
        return self.track.name

    @property
    def validity(self) -> IntervalSet:
        """Instants (s) at which states can be had."""
        return self.track.validity.shift(-self.ahead_s)

    @property
    def fastest_rate_rad_s(self) -> float:
        """Upper bound of the angular rate about the Earth's centre, in rad/s."""
        return self.track.fastest_rate_rad_s

    def states(self, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (km) and velocities (km/s), each ``[n, 3]``, in TEME of date."""
        return self.track.states(instants + self.ahead_s)


def offsets_over(bound_s: float, gap_s: float, most: int) -> FloatArray:
    """Offsets (s) evenly over ± a bound, at most so far apart, at most so many; both ends."""
    if not bound_s:
        return np.zeros(1)
    count = min(max(int(np.ceil(2.0 * bound_s / gap_s)), 1) + 1, most)
    return np.linspace(-bound_s, bound_s, max(count, 2))
