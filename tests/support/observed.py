"""Invented observations of invented satellites, from a hidden truth: for tests of what they teach.

Run by hand for many draws: ``python tests/support/observed.py 300``.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from contactd.core.contacts.prediction import predict
from contactd.core.ground.doppler import SPEED_OF_LIGHT_KM_S
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S, from_text
from contactd.core.learning.identification import Candidate, identify
from contactd.core.learning.measured import Kind, Measured
from contactd.core.learning.offset import estimate_offset
from contactd.core.learning.receptions import Growth, Reception, Strips, strip_of
from contactd.core.learning.several import Offset, learn_motion
from contactd.core.learning.sightline import Sightline
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.sgp4_track import Sgp4Track

EPOCH = from_text("2026-12-01T00:00:00Z")
HORIZON_DEG = 1.0
SENT_HZ = 437.5e6


@dataclass(frozen=True)
class Truth:
    """d = b + r·tau + a·tau²/2, and a track that is so much early."""

    b: float
    r: float
    a: float

    def at(self, instants):
        days = (np.asarray(instants) - EPOCH) / DAY_S
        return self.b + self.r * days + self.a * days**2 / 2


def low_orbit(random, anomaly_deg=None):
    """Elements of a near-circular low orbit."""
    return ElementSet(
        "Invented", 90_000, "26001A", EPOCH,
        mean_motion_rev_per_day=random.uniform(14.4, 15.3),
        eccentricity=random.uniform(0.0003, 0.002),
        inclination_deg=random.uniform(60.0, 98.0),
        raan_deg=random.uniform(0.0, 360.0),
        argument_of_perigee_deg=random.uniform(0.0, 360.0),
        mean_anomaly_deg=random.uniform(0.0, 360.0) if anomaly_deg is None else anomaly_deg,
        bstar_per_earth_radius=2e-5,
    )  # fmt: skip


def some_station(random):
    return Station(
        "Greywater", random.uniform(-60.0, 60.0), random.uniform(-180.0, 180.0), 120.0,
        least_elevation_deg=HORIZON_DEG,
    )  # fmt: skip


def contacts(track, station, days, least_deg):
    """(AOS, LOS, peak) of contacts that rise to an elevation, in order."""
    table = predict([track], [station], EPOCH, EPOCH + days * DAY_S)
    return [
        (each.aos, each.los, each.max_elevation_deg)
        for each in table
        if each.max_elevation_deg >= least_deg and not (each.cut_at_start or each.cut_at_end)
    ]


def true_edges(track, station, truth, aos, los):
    """AOS and LOS of the true motion near those predicted, found from a scan of its elevation."""
    line = Sightline(track, station)
    reach = abs(float(truth.at(los))) * 1.5 + 60.0
    at = np.arange(aos - reach, los + reach, 0.02)
    up = line.sin_elevation(at, truth.at(at)) >= np.sin(np.radians(HORIZON_DEG))
    inside = at[up]
    return (float(inside[0]), float(inside[-1])) if len(inside) else None


def heard(random, track, station, truth, aos, los, tolerance_s=0.5):
    """First and last reception of a contact, late and early by what only stations know."""
    edges = true_edges(track, station, truth, aos, los)
    if edges is None:
        return []
    first = edges[0] + random.exponential(3.5) + random.uniform(-tolerance_s, tolerance_s)
    last = edges[1] - random.exponential(3.5) + random.uniform(-tolerance_s, tolerance_s)
    return [Reception(station, at, tolerance_s, HORIZON_DEG) for at in (first, last)]


def doppler(random, track, station, truth, aos, los, *, noise_hz=20.0, wild=0.05, count=60):
    """Received frequencies of one contact, a twentieth of them wild."""
    at = np.sort(random.uniform(aos + 20.0, los - 20.0, count))
    line = Sightline(track, station)
    seen = line.seen(at, truth.at(at))
    hz = SENT_HZ * (1.0 - seen.range_rate_km_s / SPEED_OF_LIGHT_KM_S)
    hz += random.normal(0.0, 800.0) + random.normal(0.0, 0.1) * (at - at.mean())
    hz += random.normal(0.0, noise_hz, count)
    outliers = random.random(count) < wild
    hz[outliers] += random.normal(0.0, 3_000.0, int(outliers.sum()))
    return Measured(Kind.FREQUENCY, line, at, hz, noise_hz, np.full(count, SENT_HZ))


@lru_cache
def strips_draw(seed, growth=None):
    """Strips of the receptions of some contacts, bounds and truth at instants, what is learned."""
    growth = growth or Growth(10.0, 4.0, 3.0)
    random = np.random.default_rng(seed)
    track, station = Sgp4Track(low_orbit(random)), some_station(random)
    truth = Truth(*(random.uniform(-1, 1) * np.array(
        [growth.at_epoch_s, growth.per_day_s, growth.per_day2_s])))  # fmt: skip
    receptions = [
        each
        for aos, los, _ in contacts(track, station, 1.5, 8.0)[: random.integers(1, 6)]
        for each in heard(random, track, station, truth, aos, los)
    ]
    strips = Strips(tuple(strip_of(track, EPOCH, each, growth) for each in receptions), growth)
    found = []
    for days in (0.0, 0.7, 1.5, 3.0):
        bounds = strips.bounds_at(days)
        true = float(truth.at(EPOCH + days * DAY_S))
        found.append((bounds, true))
    learned = learn_motion(EPOCH, growth, [], strips)
    return strips, found, learned, truth


def doppler_draw(seed, prior_sigma_s=5.0):
    """The estimate of one contact's Doppler, and its true offset."""
    random = np.random.default_rng(seed)
    while True:
        track, station = Sgp4Track(low_orbit(random)), some_station(random)
        passes = contacts(track, station, 1.0, 12.0)
        if passes:
            break
    aos, los, _ = passes[int(random.integers(len(passes)))]
    truth = Truth(float(random.normal(0.0, prior_sigma_s)), 0.0, 0.0)
    estimate = estimate_offset([doppler(random, track, station, truth, aos, los)], prior_sigma_s)
    return estimate, truth.b


def several_draw(random, growth=None, count=4):
    """Learned from some contacts of two days; (offset less truth, bound) half to two days later."""
    growth = growth or Growth(2.0, 1.0, 1.5)
    limits = np.array([growth.at_epoch_s, growth.per_day_s, growth.per_day2_s])
    truth = Truth(*(random.normal(0.0, 1.0, 3) * limits / 1.96))
    at = EPOCH + np.sort(random.uniform(0.1, 2.0, count)) * DAY_S
    sigma = random.uniform(0.12, 0.5, count)
    offsets = [
        Offset(float(t), float(truth.at(t) + random.normal(0.0, s)), float(s))
        for t, s in zip(at, sigma, strict=True)
    ]
    learned = learn_motion(EPOCH, growth, offsets)
    later = learned.at + np.array([0.5, 1.0, 2.0]) * DAY_S
    return [
        (learned.offset_at(t) - float(truth.at(t)), learned.bound_at(t)) for t in map(float, later)
    ]


def identify_draw(seed, separation_s, prior_sigma_s, count=10):
    """The answer among objects in a row, and the right one; None for undecided."""
    random = np.random.default_rng(seed)
    while True:
        first, station = low_orbit(random), some_station(random)
        passes = contacts(Sgp4Track(first), station, 1.0, 15.0)
        if passes:
            break
    aos, los, _ = passes[int(random.integers(len(passes)))]
    rate = 360.0 * first.mean_motion_rev_per_day / DAY_S
    tracks = [
        Sgp4Track(low_orbit_ahead(first, rate * separation_s * number), f"object {number}")
        for number in range(count)
    ]
    right = int(random.integers(count))
    truth = Truth(float(random.normal(0.0, prior_sigma_s)), 0.0, 0.0)
    measured = doppler(
        random,
        tracks[right],
        station,
        truth,
        aos - right * separation_s,
        los - right * separation_s,
    )
    growth = Growth(1.96 * prior_sigma_s, 0.0)
    found = identify([Candidate(each.name, each, EPOCH, growth) for each in tracks], [measured])
    return found, f"object {right}"


def low_orbit_ahead(elements, degrees):
    return replace(elements, mean_anomaly_deg=(elements.mean_anomaly_deg + degrees) % 360.0)


def main(count):
    outside = total = 0
    for seed in range(count):
        _, found, learned, truth = strips_draw(seed)
        for bounds, true in found:
            total += 1
            outside += not bounds or not bounds[0] - 1e-3 <= true <= bounds[1] + 1e-3
        if learned:
            for days in (0.2, 1.0, 2.0):
                at = learned.at + days * DAY_S
                total += 1
                outside += abs(learned.offset_at(at) - truth.at(at)) > learned.bound_at(at) + 1e-3
    print(f"strips: truth outside {outside} of {total} in {count} draws")
    draws = [doppler_draw(seed) for seed in range(count)]
    good = [(e, b) for e, b in draws if e.acceptable]
    errors = np.array([abs(e.offset_s - b) for e, b in good])
    inside = np.mean([abs(e.offset_s - b) <= e.bound_s for e, b in good])
    print(
        f"Doppler: {len(good)} of {count} acceptable, error {np.median(errors):.3f} s median, "
        f"{np.quantile(errors, 0.95):.3f} s 95 %, inside the bound {100 * inside:.1f} %"
    )
    random = np.random.default_rng(1)
    rows = np.array([several_draw(random) for _ in range(20 * count)])
    print("several contacts, 0.5, 1, 2 days later:",
          "inside", np.round(100 * (abs(rows[:, :, 0]) <= rows[:, :, 1]).mean(axis=0), 1),
          "95 % error", np.round(np.quantile(abs(rows[:, :, 0]), 0.95, axis=0), 2))  # fmt: skip
    for separation, prior in ((10.0, 2.0), (5.0, 5.0)):
        found = [identify_draw(seed, separation, prior) for seed in range(max(count // 5, 1))]
        right = sum(each.answer == name for each, name in found)
        wrong = sum(each.answer not in (None, name) for each, name in found)
        print(f"identify {separation:g} s apart, {prior:g} s: right {right}, wrong {wrong}, "
              f"not decided {len(found) - right - wrong}")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
