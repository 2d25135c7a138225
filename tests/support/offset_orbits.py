"""Orbits within a stated error, made anew by the propagator: is any of them out of view where all
are said to be in view, or in view where none is said to be?

``python tests/support/offset_orbits.py 100000`` looks at so many orbits and counts.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from orbits import EPOCH, geostationary, invented

from contactd.core.contacts.bounded import Bounded, bounded
from contactd.core.contacts.horizon import Horizon, horizon_of
from contactd.core.ground.station import Station
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.frames import teme_to_fixed
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.orbit.sgp4_track import Sgp4Track

ORBITS_A_CASE = 25
INSTANTS = 400
EXACT_TO_S = 0.01


@dataclass(frozen=True)
class Case:
    """One nominal orbit, one station, one error, some hours."""

    elements: ElementSet
    horizon: Horizon
    error: OrbitError
    start: float
    end: float

    def bounds(self) -> Bounded:
        """What is certain and what is possible."""
        track = Sgp4Track(self.elements)
        span = self.start, self.end
        return bounded(track, [self.horizon], self.error, self.elements.epoch, *span)[0]

    def in_view(self, instants, share, radial_km, cross_km):
        """Whether the orbit at a share of the along-track bound is in view, by the propagator.

        Source: the definition of the set of motions; SGP4, TEME turned by sidereal time.
        """
        ages = instants - self.elements.epoch
        offset = self.error.centres_s(ages) + share * self.error.bounds_s(ages)
        track = Sgp4Track(self.elements)
        position, velocity = track.states(instants + offset)
        radius = np.linalg.norm(position, axis=1, keepdims=True)
        normal = np.cross(position, velocity)
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        true = position + radial_km * position / radius + cross_km * normal
        fixed, moving = teme_to_fixed(instants, true, velocity)
        return self.horizon.clearance(fixed, moving)[0] >= 0.0


def case_of(random: np.random.Generator) -> Case:
    """A case: mostly low orbits, some ellipses, some high ones; a third over a mask."""
    kind = random.choice(["low", "low", "low", "low", "ellipse", "middle", "high"])
    angles = dict(
        zip(
            ("raan_deg", "argument_of_perigee_deg", "mean_anomaly_deg"),
            random.uniform(0.0, 360.0, 3).tolist(),
            strict=True,
        )
    )
    tilt = float(random.uniform(1.0, 120.0))
    if kind == "low":
        elements = invented(random.uniform(12.5, 15.9), random.uniform(0, 0.01), tilt, **angles)
        hours, greatest_s = 12.0, 60.0
    elif kind == "ellipse":
        elements = invented(random.uniform(2.0, 2.4), random.uniform(0.3, 0.72), tilt, **angles)
        hours, greatest_s = 24.0, 60.0
    elif kind == "middle":
        elements = invented(random.uniform(1.8, 4.0), random.uniform(0, 0.1), tilt, **angles)
        hours, greatest_s = 24.0, 120.0
    else:
        elements = geostationary(random.uniform(0, 360), random.uniform(1, 15), 0.001)
        hours, greatest_s = 24.0, 120.0
    across = random.choice([0.0, 1.0], size=2) * random.uniform(0.1, 5.0, 2)
    along = float(np.exp(random.uniform(np.log(0.05), np.log(greatest_s))))
    error = OrbitError(
        along * float(random.uniform(0.2, 1.0)),
        along * float(random.choice([0.0, 1.0])),
        along * float(random.choice([0.0, 0.5])),
        *across.tolist(),
        centre=(float(random.choice([0.0, 0.0, 0.5])) * along, 0.1 * along, 0.0),
    )
    mask: tuple[tuple[float, float], ...] = ()
    if random.random() < 0.33:
        corners = np.sort(random.choice(360, int(random.integers(3, 12)), replace=False))
        mask = tuple((float(each), float(random.uniform(0, 25))) for each in corners)
    latitude = np.degrees(np.arcsin(random.uniform(-1, 1)))
    station = Station(
        "invented", float(latitude), float(random.uniform(-180, 180)),
        float(random.uniform(0, 3000)), float(random.choice([0.0, 5.0, 10.0])), mask,
    )  # fmt: skip
    start = EPOCH + float(random.uniform(-1.0, 1.0)) * 86_400.0
    return Case(elements, horizon_of(station), error, start, start + 3600.0 * hours)


def instants_near(found: Bounded, case: Case, random: np.random.Generator):
    """Instants all over the span, and close to where certain and possible coverage begin and end.

    Those nearer to an end than the polynomials are exact, and than half a second where the
    elevation crawls, only inside certain coverage and outside possible.
    """
    spread = random.uniform(case.start, case.end, INSTANTS // 4)
    near = [spread]
    for spans, inward in ((found.certain, 1.0), (found.possible, -1.0)):
        away = EXACT_TO_S * np.exp(random.uniform(0.0, 7.0, (4, len(spans))))
        near += [(spans.starts + inward * away).ravel(), (spans.ends - inward * away).ravel()]
    at = np.concatenate(near)
    return at[(at > case.start) & (at < case.end)]


@dataclass
class Count:
    """What was looked at, and what was wrong."""

    orbits: int = 0
    instants: int = 0
    out_of_view: int = 0
    unforeseen: int = 0
    certain_s: float = 0.0
    surely_s: float = 0.0
    failures: tuple[str, ...] = ()


def look_at(case: Case, random: np.random.Generator, count: Count, name: str) -> None:
    """Count what orbits within one case's error do."""
    found = case.bounds()
    at = instants_near(found, case, random)
    certain, possible = found.certain.holds(at), found.possible.holds(at)
    for number in range(ORBITS_A_CASE):
        # Every fourth orbit at corners of the set, where it is worst.
        at_corner = number % 4 == 0
        share, radial, cross = (
            random.choice([-1.0, 1.0], 3) if at_corner else random.uniform(-1.0, 1.0, 3)
        )
        seen = case.in_view(
            at, share, radial * case.error.radial_km, cross * case.error.cross_track_km
        )
        wrong, missed = int((certain & ~seen).sum()), int((seen & ~possible).sum())
        count.out_of_view += wrong
        count.unforeseen += missed
        if wrong or missed:
            count.failures += (f"{name}: share {share:.3f}, {wrong} out of view, {missed} missed",)
        count.orbits += 1
        count.instants += len(at)


def look_for_timidity(case: Case, count: Count) -> None:
    """Add how long all orbits of a dense choice are in view, and how long that is certain."""
    at = np.arange(case.start, case.end, 5.0)
    surely = np.ones(len(at), dtype=np.bool_)
    sides = [
        (r * case.error.radial_km, c * case.error.cross_track_km) for r in (-1, 1) for c in (-1, 1)
    ]
    for share in np.linspace(-1.0, 1.0, 17):
        for radial, cross in sides if case.error.displacement_km else [(0.0, 0.0)]:
            surely &= case.in_view(at, share, radial, cross)
    count.surely_s += 5.0 * float(surely.sum())
    count.certain_s += 5.0 * float((case.bounds().certain.holds(at) & surely).sum())


def look_at_many(orbits: int, seed: int, timid_every: int = 0) -> Count:
    """Look at so many orbits; the same for the same seed."""
    count = Count()
    for number in range(-(-orbits // ORBITS_A_CASE)):
        random = np.random.default_rng([seed, number])
        case = case_of(random)
        look_at(case, random, count, f"seed {seed}, case {number}")
        if timid_every and number % timid_every == 0:
            look_for_timidity(case, count)
    return count


if __name__ == "__main__":
    result = look_at_many(int(sys.argv[1]), int(sys.argv[2]) if sys.argv[2:] else 1, 10)
    print(
        f"{result.orbits} orbits at {result.instants} instants: {result.out_of_view} out of view "
        f"where certain, {result.unforeseen} in view where not possible; "
        f"{100 * (1 - result.certain_s / max(result.surely_s, 1.0)):.3f} % of what is surely in "
        "view not told as certain"
    )
    print("\n".join(result.failures[:20]))
