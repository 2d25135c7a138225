"""What is assumed of an orbit's error where nothing is stated and nothing was learned.

The figures are our choice, to enclose what is published: Riesing, *Orbit Determination from Two
Line Element Sets of ISS-Deployed CubeSats*, 2015 (freshly released: median 4.5 km, 10 to 30 km
after a day); Kahr et al., *Estimation and Analysis of Two-Line Elements for Small Satellites* (from
memory: a few km, 10 km in five days); Levit and Marshall, *Improved orbit predictions using
two-line elements*, 2011 (about 1 km a day); EUMETSAT's notes on its own sets (600 m, at most 2 km,
for seven days); Hallgarten La Casta and Amato, arXiv 2412.15793 (middle orbits: about 5 km);
Flohrer et al., 2008 (from memory: 0.1 to 0.5 km in low orbits, 3 km for e > 0.1). Geostationary,
freshly released and lowest orbits: judgement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from contactd.core.instants import DAY_S
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.orbit_error import OrbitError, Origin

Vector = tuple[float, float, float]

MU_KM3_S2: Final = 398_600.8  # WGS 72, as SGP4 has it
EARTH_RADIUS_KM: Final = 6_378.135
FRESH_FOR_DAYS: Final = 7.0
FEWEST_SETS: Final = 5
FIELD_S_PER_DAY: Final = 0.07
RADIATION_S_PER_DAY2: Final = 0.04
TABLE_SHARE: Final = 0.3
"""A table of states without covariance is taken to be so much better than element sets."""


@dataclass(frozen=True, slots=True)
class Shape:
    """What the class of an orbit depends on.

    Attributes:
        perigee_km: height of the perigee above the equator's radius.
        days_in_orbit: since it was released, as far as that is known; None if nothing says.
    """

    perigee_km: float
    eccentricity: float
    mean_motion_rev_per_day: float
    days_in_orbit: float | None = None

    @property
    def mean_speed_km_s(self) -> float:
        """Speed (km/s) on a circle with the same period."""
        return math.cbrt(MU_KM3_S2 * self.mean_motion_rev_per_day * math.tau / DAY_S)


# The first class that fits: name, along track b (s), r (s/day), a (s/day²), radial and cross (km).
_CLASSES: Final = (
    ("newly released objects", 10.0, 20.0, 20.0, 5.0),
    ("eccentric orbits", 3.0, 2.0, 2.0, 5.0),
    ("perigees below 350 km", 2.0, 5.0, 15.0, 1.0),
    ("perigees of 350 to 450 km", 1.0, 4.0, 6.0, 1.0),
    ("perigees of 450 to 550 km", 0.7, 1.0, 1.5, 0.7),
    ("perigees of 550 to 700 km", 0.5, 0.4, 0.4, 0.7),
    ("perigees of 700 to 2000 km", 0.4, 0.2, 0.1, 0.7),
    ("medium orbits", 3.0, 0.3, 0.02, 3.0),
    ("geostationary orbits", 10.0, 5.0, 1.0, 10.0),
)
_NEW, _ECCENTRIC, _FIRST_LOW, _MEDIUM, _GEOSTATIONARY = 0, 1, 2, 7, 8
_LOW_UP_TO_KM: Final = (350.0, 450.0, 550.0, 700.0, 2_000.0)


def assumed_error(shape: Shape) -> OrbitError:
    """The error that is assumed of mean elements for an orbit of such a shape."""
    name, at_epoch_s, per_day_s, per_day2_s, across_km = _CLASSES[_class_of(shape)]
    return OrbitError(at_epoch_s, per_day_s, per_day2_s, across_km, across_km, Origin.ASSUMED, name)


def assumed_of_table(shape: Shape) -> OrbitError:
    """The error that is assumed of a table of states (an ephemeris) without covariance."""
    whole = assumed_error(replace(shape, days_in_orbit=None))
    return replace(
        whole,
        at_epoch_s=TABLE_SHARE * whole.at_epoch_s,
        per_day_s=TABLE_SHARE * whole.per_day_s,
        per_day2_s=TABLE_SHARE * whole.per_day2_s,
        radial_km=TABLE_SHARE * whole.radial_km,
        cross_track_km=TABLE_SHARE * whole.cross_track_km,
        basis=f"an ephemeris without covariance, {whole.basis}",
    )


def assumed_of_state(shape: Shape, *, lit: bool) -> OrbitError:
    """The error that is assumed of one state that is propagated numerically, without covariance.

    What its class has, and what the forces leave out: the field beyond degree 20 in low orbits, and
    radiation pressure where that is left out.

    Args:
        lit: whether radiation pressure is among the forces.

    Source: EGM2008 to degree 20 against 70 at 400 km, package brahe: 0.05 s in a day, 0.44 s in
    seven; radiation pressure at high orbits: 0.6 to 0.9 s in seven days.
    """
    whole = assumed_error(replace(shape, days_in_orbit=None))
    is_low = shape.perigee_km < _LOW_UP_TO_KM[-1]
    return replace(
        whole,
        per_day_s=whole.per_day_s + (FIELD_S_PER_DAY if is_low else 0.0),
        per_day2_s=whole.per_day2_s + (0.0 if lit else RADIATION_S_PER_DAY2),
        basis=f"a propagated state, {whole.basis}",
    )


def completed(stated: OrbitError, shape: Shape) -> OrbitError:
    """What is stated along the track, with what its class has across where that is left out.

    No orbit is taken to be known worse across its track than along it at its epoch.
    """
    if stated.is_exact:
        return stated
    known = stated.never_zero()
    along_km = known.at_epoch_s * shape.mean_speed_km_s
    usual = assumed_error(replace(shape, days_in_orbit=None))
    return replace(
        known,
        radial_km=known.radial_km or min(usual.radial_km, along_km),
        cross_track_km=known.cross_track_km or min(usual.cross_track_km, along_km),
    )


def _class_of(shape: Shape) -> int:
    if shape.days_in_orbit is not None and shape.days_in_orbit < FRESH_FOR_DAYS:
        return _NEW
    if shape.eccentricity > 0.1:
        return _ECCENTRIC
    for number, up_to_km in enumerate(_LOW_UP_TO_KM):
        if shape.perigee_km < up_to_km:
            return _FIRST_LOW + number
    return _GEOSTATIONARY if shape.mean_motion_rev_per_day < 1.1 else _MEDIUM


def shape_of_elements(elements: ElementSet, sets: int) -> Shape:
    """The shape of an element set's orbit.

    Args:
        sets: how many different sets are known of the object. Few of them, of an object that the
            set itself does not say to be older, are those of a newly released one: what is
            published first is the worst.
    """
    motion_rad_s = elements.mean_motion_rev_per_day * math.tau / DAY_S
    axis_km = (MU_KM3_S2 / motion_rad_s**2) ** (1.0 / 3.0)
    perigee_km = axis_km * (1.0 - elements.eccentricity) - EARTH_RADIUS_KM
    days = elements.revolution_number / elements.mean_motion_rev_per_day
    return Shape(
        perigee_km,
        elements.eccentricity,
        elements.mean_motion_rev_per_day,
        days_in_orbit=None if days >= FRESH_FOR_DAYS or sets >= FEWEST_SETS else days,
    )


def shape_of_state(position_km: Vector, velocity_km_s: Vector) -> Shape:
    """The shape of the orbit that a state (inertial, km and km/s) belongs to.

    Source: Vallado, *Fundamentals of Astrodynamics and Applications*, algorithm 9 (RV2COE).
    """
    radius_km, speed_km_s = math.hypot(*position_km), math.hypot(*velocity_km_s)
    along = sum(r * v for r, v in zip(position_km, velocity_km_s, strict=True))
    inverse_axis = 2.0 / radius_km - speed_km_s**2 / MU_KM3_S2
    momentum_square = (radius_km * speed_km_s) ** 2 - along**2
    eccentricity = math.sqrt(max(0.0, 1.0 - momentum_square * inverse_axis / MU_KM3_S2))
    perigee_km = momentum_square / MU_KM3_S2 / (1.0 + eccentricity) - EARTH_RADIUS_KM
    rate_rad_s = math.sqrt(MU_KM3_S2 * max(inverse_axis, 0.0) ** 3)
    return Shape(perigee_km, eccentricity, rate_rad_s * DAY_S / math.tau)
