"""Mean orbital elements."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ElementSet:
    """One set of SGP4 mean elements (TEME of epoch), from a TLE or an OMM.

    Attributes:
        epoch: instant (s).
        mean_motion_rev_per_day: Kozai mean motion, as a TLE carries it.
        bstar_per_earth_radius: SGP4 drag term.
        mean_motion_dot_rev_per_day2, mean_motion_ddot_rev_per_day3: the TLE's printed fields
            (half the first and a sixth of the second derivative); SGP4 does not use them.
    """

    name: str
    catalogue_number: int
    international_designator: str
    epoch: float
    mean_motion_rev_per_day: float
    eccentricity: float
    inclination_deg: float
    raan_deg: float
    argument_of_perigee_deg: float
    mean_anomaly_deg: float
    bstar_per_earth_radius: float = 0.0
    mean_motion_dot_rev_per_day2: float = 0.0
    mean_motion_ddot_rev_per_day3: float = 0.0
    ephemeris_type: int = 0
    classification: str = "U"
    element_set_number: int = 0
    revolution_number: int = 0

    def age_s(self, instant: float) -> float:
        """Seconds since the epoch; negative before it."""
        return instant - self.epoch
