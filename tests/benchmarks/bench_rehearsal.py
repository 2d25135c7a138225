"""What a rehearsal costs beside the predictions that it rests on, in one run.

``python tests/benchmarks/bench_rehearsal.py``

The demo's two targets and four stations are predicted once, as the service does it; a rehearsal of
four hours and one of a day, in the same process, are told as multiples of that (processor time, the
median of three). So are two weeks of contacts searched for where mounts and the Sun allow them, one
by one and all at once.
"""

from __future__ import annotations

import logging
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import structlog

from contactd.config import load
from contactd.config.demo import write_demo
from contactd.config.rehearsal import DEMO, Script
from contactd.core.contacts.prediction import predict
from contactd.core.ground.usable import trackable_part
from contactd.core.instants import DAY_S, from_text
from contactd.core.intervals import IntervalSet, union
from contactd.core.planning import predict_target
from contactd.service.rehearsal.run import Rehearsal

BEGINS_TEXT = "2026-12-03T08:00:00Z"
BEGINS = from_text(BEGINS_TEXT)
MOST_TIMES = {"4h": 12.0, "24h": 50.0}
LEAST_GAIN = 3.0


def cost_s(work: Callable[[], object], runs: int = 3) -> float:
    """Median processor time of some runs, after one that warms up."""
    times = []
    for _ in range(runs + 1):
        begun = time.process_time()
        work()
        times.append(time.process_time() - begun)
    return statistics.median(times[1:])


def rehearse(lasts: str) -> None:
    given = {"title": "Nothing happens", "config": DEMO, "begins": BEGINS_TEXT, "lasts": lasts}
    script = Script.model_validate(given)
    with tempfile.TemporaryDirectory() as folder:
        Rehearsal(script, Path(folder), Path(folder)).play()


def main() -> int:
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "config"
        write_demo(config, BEGINS)
        read = load(config, Path(folder), BEGINS)
    stations = list(read.stations.values())
    horizon = read.settings.horizon
    span = (BEGINS - horizon.back_s, BEGINS + horizon.ahead_s)

    def predict_once() -> None:
        for target in read.targets.values():
            predict_target(target, stations, span, BEGINS)

    unit_s = cost_s(predict_once)
    print(f"predicting the demo once: {1000 * unit_s:.0f} ms")
    failed = False
    for lasts, most in MOST_TIMES.items():
        times = cost_s(partial(rehearse, lasts)) / unit_s
        failed |= times > most
        print(f"rehearsing {lasts}: {times:.1f} times that, at most {most:g} expected")

    target = read.targets["Lantern 3"]
    track = target.track(BEGINS, (BEGINS, BEGINS + 14 * DAY_S))
    assert track is not None
    limited = [each for each in stations if each.is_limited]
    found = predict([track], limited, BEGINS, BEGINS + 14 * DAY_S)
    seen = {each.name: found.of(station=each.name).intervals() for each in limited}

    def together() -> list[IntervalSet]:
        return [trackable_part(track, each, seen[each.name]) for each in limited]

    def one_by_one() -> list[IntervalSet]:
        return [
            union(trackable_part(track, each, IntervalSet.of([span])) for span in seen[each.name])
            for each in limited
        ]

    assert together() == one_by_one()
    gain = cost_s(one_by_one) / cost_s(together)
    failed |= gain < LEAST_GAIN
    print(f"mounts and Sun, all contacts at once: {gain:.1f} times as fast as one by one")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
