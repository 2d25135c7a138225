"""How well an orbit is known: the set of motions that a prediction must hold for.

With x the predicted inertial position, the true one is

    x'(t) = x(t + d) + rho R + chi N,
    |d - c(t)| <= E(t),   |rho| <= R0,   |chi| <= N0,

where R and N are the radial and the cross-track unit vector, d > 0 means ahead of the prediction
(early), and both the centre c and the bound E are polynomials of the age. No source is without
error: only tests and rehearsals may say ``exact``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.instants import DAY_S

FloatArray = NDArray[np.float64]

LEAST_BOUND_S: Final = 0.05
"""No orbit is known better than this along its track, whatever is stated: 400 m in a low orbit."""
SIGMAS_OF_95_PERCENT: Final = 1.96
EARTH_RATE_RAD_S: Final = 7.292115e-5
MU_KM3_S2: Final = 398_600.4418
STEEPEST: Final = 1.2
"""Of a path against the horizon (tangent), up to an eccentricity of 0.76."""
LOWEST_KM: Final = 6_470.0
"""No perigee is lower."""


class Origin(StrEnum):
    """Where the figures of an orbit's error come from, the first that is there."""

    STATED = "stated"
    COVARIANCE = "covariance"
    LEARNED = "learned"
    ASSUMED = "assumed"
    EXACT = "exact"


@dataclass(frozen=True, slots=True)
class OrbitError:
    """Bounds (95 %, where they are estimates) of how far the true motion may be from a predicted.

    Attributes:
        at_epoch_s, per_day_s, per_day2_s: b, r and a of the along-track bound
            E = b + r |tau| + a tau²/2, with tau the age in days; none is negative.
        radial_km, cross_track_km: R0 and N0.
        origin: where the figures come from.
        basis: what they rest on, for people, such as ``450 to 550 km`` or ``14 element sets``.
        centre: b, r and a of the centre c = b + r tau + a tau²/2 (s, s/day, s/day²): what
            observations say of the offset itself.
        settled_s: the age at which the orbit is best known: the bound's tau counts from it, before
            and after. Not 0 where contacts later than the epoch taught it.
        reliable_s: up to this age the figures were looked at; beyond it the bound is half as
            large again.
    """

    at_epoch_s: float
    per_day_s: float = 0.0
    per_day2_s: float = 0.0
    radial_km: float = 0.0
    cross_track_km: float = 0.0
    origin: Origin = Origin.STATED
    basis: str = ""
    centre: tuple[float, float, float] = (0.0, 0.0, 0.0)
    reliable_s: float = float("inf")
    settled_s: float = 0.0

    def __post_init__(self) -> None:
        parts = (self.at_epoch_s, self.per_day_s, self.per_day2_s)
        assert min(*parts, self.radial_km, self.cross_track_km) >= 0.0

    @property
    def is_exact(self) -> bool:
        """Whether there is nothing to allow for."""
        return self.origin is Origin.EXACT

    @property
    def displacement_km(self) -> float:
        """Greatest displacement across the track: the length of (R0, N0)."""
        return float(np.hypot(self.radial_km, self.cross_track_km))

    def at_age_s(self, age_s: float) -> float:
        """Along-track bound E (s) at an age (s); an age before the epoch counts alike."""
        return float(self.bounds_s(np.float64(age_s)))

    def bounds_s(self, ages_s: ArrayLike) -> FloatArray:
        """Along-track bounds E (s) at ages (s), same shape."""
        days = np.abs(np.asarray(ages_s, dtype=np.float64) - self.settled_s) / DAY_S
        bound = self.at_epoch_s + days * (self.per_day_s + days * self.per_day2_s / 2.0)
        return np.where(days * DAY_S > self.reliable_s, 1.5 * bound, bound)

    def centres_s(self, ages_s: ArrayLike) -> FloatArray:
        """Centres c (s) of the offset at ages (s), same shape; positive means early."""
        days = np.asarray(ages_s, dtype=np.float64) / DAY_S
        at_epoch, per_day, per_day2 = self.centre
        return at_epoch + days * (per_day + days * per_day2 / 2.0)

    def widened(self, seconds: float) -> OrbitError:
        """The same with so many seconds more along the track, such as for light time."""
        return replace(self, at_epoch_s=self.at_epoch_s + seconds)

    def with_earth_turned(self, seconds: float, highest_km: float) -> OrbitError:
        """The same, where the Earth may have turned for so many seconds more or less.

        That is the satellite moved east or west about the pole: along its track by no more than at
        its highest place, where it is slowest, and by as much across; on a steep path also up.

        Args:
            highest_km: greatest distance from the Earth's centre.
        """
        moved_km = EARTH_RATE_RAD_S * highest_km * seconds
        lowest_km = min(LOWEST_KM, highest_km)
        slowest_km_s = np.sqrt(2 * MU_KM3_S2 * lowest_km / (highest_km * (highest_km + lowest_km)))
        return replace(
            self,
            at_epoch_s=self.at_epoch_s + moved_km / float(slowest_km_s),
            radial_km=self.radial_km + STEEPEST * moved_km,
            cross_track_km=self.cross_track_km + moved_km,
        )

    def never_zero(self) -> OrbitError:
        """The same with at least the least bound that anything is believed to have."""
        if self.origin is Origin.EXACT:
            return self
        return replace(self, at_epoch_s=max(self.at_epoch_s, LEAST_BOUND_S))


EXACT: Final = OrbitError(0.0, origin=Origin.EXACT)
"""No error at all: for tests and rehearsals, where the prediction itself is the truth."""
