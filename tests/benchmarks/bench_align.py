"""How much faster alignment is than going through all settings, in one run.

``python tests/benchmarks/bench_align.py [--seed N]``

An invented low satellite, five invented stations, fourteen days, three chained dials:

- with few values on each dial, both the search and an exhaustive one run, and must agree;
- with 600 values on each, 216 million combinations, only the search runs; what the exhaustive one
  would take is reckoned from its time for each combination in the same run.
"""

from __future__ import annotations

import argparse
import sys
import time
from itertools import product

import numpy as np

from contactd.core.ground.station import ServiceTerms, Station
from contactd.core.instants import DAY_S, from_text, to_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.planning import Target, predict_target
from contactd.core.sequences.align import Rank, Robust, align
from contactd.core.sequences.coverage import Services
from contactd.core.sequences.model import (
    Clock,
    Delay,
    KeepClear,
    Need,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
)
from contactd.core.sequences.problem import offsets
from contactd.core.sequences.rules import Question, rules

EPOCH = from_text("2026-03-01T00:00:00Z")
SPAN = (EPOCH, EPOCH + 14 * DAY_S)
PLACES = {
    "Heron": (59.2, 17.6),
    "Curlew": (-33.4, -70.8),
    "Egret": (21.3, -158.0),
    "Plover": (-35.2, 148.9),
    "Dunlin": (41.5, 12.8),
}
TERMS = {
    "telemetry": ServiceTerms(least_elevation_deg=5.0),
    "command": ServiceTerms(least_elevation_deg=10.0, acquisition_s=20.0),
}


def coverage(seed: int) -> Services:
    """Coverage of five stations over fourteen days, as the engine predicts it."""
    random = np.random.default_rng(seed)
    elements = ElementSet(
        "Lantern 3",
        90_003,
        "26001A",
        EPOCH,
        mean_motion_rev_per_day=15.05,
        eccentricity=0.0011,
        inclination_deg=66.0,
        raan_deg=float(random.uniform(0, 360)),
        argument_of_perigee_deg=float(random.uniform(0, 360)),
        mean_anomaly_deg=float(random.uniform(0, 360)),
        bstar_per_earth_radius=2e-5,
    )
    target = Target("Lantern 3", (elements,), stated_error=OrbitError(0.2, 1.5))
    stations = [
        Station(name, latitude, longitude, services=TERMS)
        for name, (latitude, longitude) in PLACES.items()
    ]
    return predict_target(target, stations, SPAN, EPOCH).outlook.services


def sequence(values: int, crewed: bool) -> Sequence:
    """Three chained dials of so many values each, a fixed step and a hazardous end."""

    def dial() -> Delay:
        return Delay(setting=Setting(600.0, 600.0 + (values - 1) * 600.0, 600.0))

    outside = IntervalSet([EPOCH + 2 * DAY_S], [EPOCH + 2.4 * DAY_S]) if crewed else IntervalSet()
    return Sequence(
        "Lantern 3",
        "wake-up",
        (
            Step("receiver on", dial(), needs=(Need("telemetry", 60.0, 180.0),)),
            Step("panels out", dial(), ("receiver on",), needs=(Need("command", 30.0, 120.0),)),
            Step("panels locked", Delay(fixed_s=120.0), ("panels out",)),
            Step(
                "motor",
                dial(),
                ("panels locked",),
                needs=(Need("telemetry", 60.0, 120.0), Need("command", 120.0, 0.0)),
                hazard="motor",
                keep_clear=KeepClear(300.0, 900.0),
            ),
        ),
        start=Start(StartStatus.EXPECTED, SPAN[0], None, SPAN[1], give_or_take_s=30.0),
        clock=Clock(rate_error_ppm=50.0),
        people_near=outside,
    )


def exhaustive(asked: Sequence, services: Services) -> tuple[float, int]:
    """Greatest margin over all settings, one after the other; and how many there were."""
    dials = [step for step in asked.steps if step.delay.setting is not None]
    choices = [
        [s.least_s + k * s.resolution_s for k in range(s.count)]
        for s in (step.delay.setting for step in dials)
        if s is not None
    ]
    wanted = rules(asked, Question(services, SPAN))
    best, count = 0.0, 0
    for values in product(*choices):
        settings = dict(zip([step.name for step in dials], values, strict=True))
        bounds = offsets(asked, settings, asked.start.give_or_take_s)
        feasible = IntervalSet([SPAN[0]], [SPAN[1]])
        for rule in wanted:
            low, high = bounds[rule.step]
            feasible = feasible & IntervalSet(rule.instants.starts - low, rule.instants.ends - high)
        best = max(best, float(feasible.durations_s.max(initial=0.0)) / 2)
        count += 1
    return best, count


def main() -> int:
    """Run the comparison and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=20_260_301)
    seed = parser.parse_args().seed
    services = coverage(seed)
    contacts = sum(len(each.nominal) for each in services["telemetry"].values())
    print(f"seed {seed}, {to_text(SPAN[0], 0)} to {to_text(SPAN[1], 0)}, {contacts} contacts")
    small = sequence(10, crewed=True)
    begun = time.perf_counter()
    best, count = exhaustive(small, services)
    each_s = (time.perf_counter() - begun) / count
    begun = time.perf_counter()
    made = align(small, services, SPAN)
    took = time.perf_counter() - begun
    margin = made.options[0].margin_s
    agree = abs(best - margin) < 1e-3
    print(
        f"10 values a dial: exhaustive {best:.3f} s margin in {each_s * count:.2f} s "
        f"({count} combinations); search {margin:.3f} s in {took:.3f} s; agree: {agree}"
    )
    whole = 600**3 * each_s
    for words, asked, how in (
        ("600 values a dial", sequence(600, crewed=False), {}),
        ("… with people near", sequence(600, crewed=True), {}),
        (
            "… earliest finish",
            sequence(600, crewed=True),
            {"rank": Rank.FINISH, "least_margin_s": 60},
        ),
        ("… most stations", sequence(600, crewed=True), {"rank": Rank.STATIONS}),
        ("… one lost station", sequence(600, crewed=False), {"robust": Robust.STATION}),
        ("… one missed contact", sequence(600, crewed=False), {"robust": Robust.CONTACT}),
    ):
        begun = time.perf_counter()
        made = align(asked, services, SPAN, **how)  # type: ignore[arg-type]
        took = time.perf_counter() - begun
        answer = f"margin {made.options[0].margin_s:.3f} s" if made.options else "nothing feasible"
        print(
            f"{words}: {answer} in {took:.3f} s, complete: {made.complete}; "
            f"exhaustive would take {whole / 3600:.0f} h: ratio {whole / took:.2e}"
        )
    return 0 if agree else 1


if __name__ == "__main__":
    sys.exit(main())
