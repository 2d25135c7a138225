"""The workloads of the comparisons: seeded, invented, the same on every machine.

========  ==========  ========  ======
workload  satellites  stations  days
========  ==========  ========  ======
S         1           1         7
M         100         10        7
L         1,000       50        7
========  ==========  ========  ======

Of every hundred satellites 88 are low, 3 circle twice a day, 3 are on transfer orbits, 3 on highly
eccentric twelve-hour orbits, 3 geostationary. All stations have a flat horizon of 5 degrees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S, from_text
from contactd.core.orbit.elements import ElementSet

EPOCH = from_text("2026-03-01T00:00:00Z")
SEED = 20_260_301
MU = 398_600.8
EARTH_RADIUS_KM = 6378.135


@dataclass(frozen=True)
class Workload:
    """Satellites, stations and a span."""

    name: str
    elements: tuple[ElementSet, ...]
    kinds: tuple[str, ...]
    stations: tuple[Station, ...]
    start: float
    end: float

    @property
    def pairs(self) -> int:
        """How many satellite-station pairs there are."""
        return len(self.elements) * len(self.stations)


def _mean_motion(axis_km: float) -> float:
    return DAY_S / (2.0 * math.pi * math.sqrt(axis_km**3 / MU))


def _satellite(kind: str, number: int, random: np.random.Generator) -> ElementSet:
    node, anomaly, perigee = random.uniform(0.0, 360.0, 3)
    eccentricity, drag = float(random.uniform(0.0002, 0.004)), 0.0
    if kind == "low":
        height = float(random.uniform(380.0, 1_300.0))
        motion = _mean_motion(EARTH_RADIUS_KM + height)
        inclination = float(
            random.choice([28.5, 45.0, 51.6, 66.0, 82.0, 97.6, 98.2]) + random.normal(0.0, 0.4)
        )
        drag = float(10.0 ** random.uniform(-5.5, -3.9))
    elif kind == "twelve-hour":
        motion, inclination = 2.0056 + float(random.normal(0.0, 0.001)), 55.0
        eccentricity = float(random.uniform(0.001, 0.02))
    elif kind == "transfer":
        motion = float(random.uniform(2.2, 2.4))
        inclination = float(random.uniform(4.0, 28.0))
        axis = (MU / (motion * 2.0 * math.pi / DAY_S) ** 2) ** (1.0 / 3.0)
        eccentricity = 1.0 - (EARTH_RADIUS_KM + float(random.uniform(250.0, 600.0))) / axis
        drag = 1e-5
    elif kind == "eccentric":
        motion, inclination = 2.0061 + float(random.normal(0.0, 0.0005)), 63.4
        eccentricity, perigee = float(random.uniform(0.66, 0.73)), 270.0
    else:
        motion, inclination = 1.00273, float(random.uniform(0.02, 4.0))
        eccentricity = float(random.uniform(0.0001, 0.0006))
    return ElementSet(
        name=f"{kind} {number}",
        catalogue_number=90_000 + number,
        international_designator="",
        epoch=EPOCH - round(float(random.uniform(0.0, 1.0)), 8) * DAY_S,
        mean_motion_rev_per_day=round(motion, 8),
        eccentricity=round(eccentricity, 7),
        inclination_deg=round(inclination, 4),
        raan_deg=round(float(node), 4),
        argument_of_perigee_deg=round(float(perigee), 4),
        mean_anomaly_deg=round(float(anomaly), 4),
        bstar_per_earth_radius=float(f"{drag:.4e}"),
    )


def _kinds(count: int) -> list[str]:
    rare = ["twelve-hour", "transfer", "eccentric", "geostationary"]
    hundred = ["low"] * 88 + [kind for kind in rare for _ in range(3)]
    return [hundred[number % 100] for number in range(count)]


def workload(name: str, satellites: int, stations: int, days: float) -> Workload:
    """A workload of any size from the one seed; smaller ones are not parts of larger ones."""
    random = np.random.default_rng([SEED, satellites, stations])
    kinds = _kinds(satellites)
    elements = tuple(_satellite(kind, number, random) for number, kind in enumerate(kinds))
    places = tuple(
        Station(
            f"station {number}",
            round(math.degrees(math.asin(float(random.uniform(-0.95, 0.98)))), 4),
            round(float(random.uniform(-180.0, 180.0)), 4),
            round(float(random.uniform(0.0, 2_500.0)), 1),
            least_elevation_deg=5.0,
        )
        for number in range(stations)
    )
    return Workload(name, elements, tuple(kinds), places, EPOCH, EPOCH + days * DAY_S)


def small() -> Workload:
    """Workload S."""
    return workload("S", 1, 1, 7.0)


def medium() -> Workload:
    """Workload M."""
    return workload("M", 100, 10, 7.0)


def large() -> Workload:
    """Workload L."""
    return workload("L", 1_000, 50, 7.0)
