"""The track: a target's motion, whatever it is computed from."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from contactd.core.intervals import IntervalSet

FloatArray = NDArray[np.float64]


class Track(Protocol):
    """A target's motion: SGP4 elements, an ephemeris, or a numerically propagated state."""

    @property
    def name(self) -> str:
        """The target's name."""
        ...

    @property
    def validity(self) -> IntervalSet:
        """Instants (s) at which states can be had: outside gaps, before decay."""
        ...

    @property
    def fastest_rate_rad_s(self) -> float:
        """Upper bound of the angular rate about the Earth's centre, in rad/s."""
        ...

    def states(self, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (km) and velocities (km/s), each ``[n, 3]``, in TEME of date.

        Rows outside the validity are NaN; nothing is raised for them.
        """
        ...
