"""How fast contacts are predicted, side by side with other libraries in one run.

Only ratios count: each table's rivals take turns, so that whatever else the machine does meets all
of them. Beside the time by the wall stands the processors' time of the process, which other work on
the machine hardly changes (of all threads together, where a library uses several).
"""

from __future__ import annotations

import gc
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rivals
from rivals import Rival
from workloads import Workload, large, medium, small, workload

from contactd.core.contacts.fleet import (
    InThisProcess,
    gathered,
    predict_fleet,
    predict_task,
    tasks_of,
)
from contactd.core.orbit.sgp4_track import Sgp4Track

HERE = Path(__file__).parent
ROOT = HERE.parent.parent
SHORTEST_TURN_S = 0.1


@dataclass(frozen=True)
class Timing:
    """The median of several turns."""

    name: str
    wall_s: float
    cpu_s: float
    contacts: int
    threads: int


def race(runners: Sequence[tuple[Rival, int]]) -> list[Timing]:
    """Times of rivals that take turns, each as often as its number says: the median of its turns.

    What runs more than once is warmed up first. What is done at once is done many times a turn, so
    that a turn lasts a tenth of a second.
    """
    wall: dict[str, list[float]] = {rival.name: [] for rival, _ in runners}
    cpu: dict[str, list[float]] = {rival.name: [] for rival, _ in runners}
    contacts: dict[str, int] = {}
    loops: dict[str, int] = {}
    for rival, rounds in runners:
        if rounds > 1:
            rival.run()
        began = time.perf_counter()
        result = rival.run()
        took = time.perf_counter() - began
        loops[rival.name] = max(1, int(SHORTEST_TURN_S / took))
        contacts[rival.name] = len(rival.found(result))
        del result
    turns = max(rounds for _, rounds in runners)
    for turn in range(turns):
        for rival, rounds in runners:
            # Turns of those that run seldom are spread over the whole race.
            if turn * rounds // turns == (turn - 1) * rounds // turns and turn:
                continue
            gc.collect()
            began, used = time.perf_counter(), time.process_time()
            for _ in range(loops[rival.name]):
                rival.run()
            cpu[rival.name].append((time.process_time() - used) / loops[rival.name])
            wall[rival.name].append((time.perf_counter() - began) / loops[rival.name])
    return [
        Timing(
            rival.name,
            statistics.median(wall[rival.name]),
            statistics.median(cpu[rival.name]),
            contacts[rival.name],
            rival.threads,
        )
        for rival, _ in runners
    ]


def seconds(value: float) -> str:
    """A duration that reads well."""
    if value < 1.0:
        return f"{value * 1e3:.3g} ms"
    return f"{value:.3g} s"


def table_of(timings: Sequence[Timing], ours: str) -> str:
    """A race as a table, with how many times longer than ours each took."""
    mine = next(timing for timing in timings if timing.name == ours)
    lines = [
        "| | wall | × | processor | × | contacts |",
        "|---|---|---|---|---|---|",
    ]
    for each in timings:
        lines.append(
            f"| {each.name} | {seconds(each.wall_s)} | {each.wall_s / mine.wall_s:.3g} "
            f"| {seconds(each.cpu_s)} | {each.cpu_s / mine.cpu_s:.3g} | {each.contacts} |"
        )
    return "\n".join(lines)


def race_medium() -> str:
    """Workload M."""
    work = medium()
    timings = race(
        [
            (rivals.ours(work), 12),
            (rivals.ours(work, threads=2), 12),
            (rivals.ours_plain(work), 3),
            (rivals.lox(work), 3),
            (rivals.brahe(work), 1),
            (rivals.brahe(work, adaptive=False), 1),
            (rivals.brahe(work, adaptive=False, threads=2), 1),
            (rivals.skyfield(work), 3),
        ]
    )
    return table_of(timings, timings[0].name)


def race_small() -> str:
    """Workload S."""
    work = small()
    timings = race(
        [
            (rivals.ours(work), 20),
            (rivals.ours_plain(work), 20),
            (rivals.lox(work), 10),
            (rivals.brahe(work), 10),
            (rivals.skyfield(work), 20),
        ]
    )
    return table_of(timings, timings[0].name)


def sample_of(work: Workload, pairs: int) -> list[Workload]:
    """Single pairs of a workload, spread over all its satellites and stations."""
    picks = np.random.default_rng(7).choice(work.pairs, pairs, replace=False)
    singles = []
    for pick in picks.tolist():
        satellite, station = divmod(pick, len(work.stations))
        singles.append(
            Workload(
                "pair",
                (work.elements[satellite],),
                (work.kinds[satellite],),
                (work.stations[station],),
                work.start,
                work.end,
            )
        )
    return singles


def race_large(pairs: int = 400) -> str:
    """Workload L: ours in full, in a process of its own, against skyfield on a sample of pairs."""
    ours = measured_apart("large", "2")
    single = measured_apart("large", "1")
    work = large()
    wall = cpu = 0.0
    for one in sample_of(work, pairs):
        rival = rivals.skyfield(one)
        began, used = time.perf_counter(), time.process_time()
        rival.run()
        wall += time.perf_counter() - began
        cpu += time.process_time() - used
    scale = work.pairs / pairs
    rows = [
        ("contactd, compiled, 2 threads", ours["wall"], ours["cpu"]),
        ("contactd, compiled, 1 thread", single["wall"], single["cpu"]),
        (f"skyfield, from {pairs} of {work.pairs} pairs", wall * scale, cpu * scale),
    ]
    lines = ["| | wall | × | processor | × |", "|---|---|---|---|---|"]
    for name, took, worked in rows:
        lines.append(
            f"| {name} | {seconds(took)} | {took / ours['wall']:.4g} "
            f"| {seconds(worked)} | {worked / single['cpu']:.4g} |"
        )
    alone_s, theirs_s = ours["split"], cpu * scale
    peaks = f"{single['megabytes']:.0f} MB with one thread, {ours['megabytes']:.0f} MB with two"
    return "\n".join(lines) + (
        "\n\nThe first × is to two threads by the wall, with whatever else the machine did; the "
        "second is to one thread by the processor. Two cores with nothing else to do would need "
        f"{seconds(alone_s)}: half of the tasks' processor time, and the joining of their tables. "
        f"That is {theirs_s / alone_s:.0f} times as fast as skyfield's processor time.\n\n"
        f"{int(ours['contacts'])} contacts; peak memory {peaks} (whole processes, compiled code "
        "included)."
    )


def measured_apart(what: str, *arguments: str, rounds: int = 3) -> dict[str, float]:
    """Figures that other processes measured about themselves (the best of some rounds)."""
    runs = []
    for _ in range(rounds):
        output = subprocess.run(
            [sys.executable, __file__, what, *arguments],
            check=True, capture_output=True, text=True, cwd=HERE,
        ).stdout  # fmt: skip
        runs.append(
            {key: float(value) for key, value in (line.split() for line in output.splitlines())}
        )
    return {key: min(run[key] for run in runs) for key in runs[0]}


def curves() -> str:
    """How the cost grows with satellites and with stations."""
    lines = ["| satellites | stations | processor | per pair |", "|---|---|---|---|"]
    for satellites, stations in (
        (100, 10), (200, 10), (400, 10), (800, 10), (100, 20), (100, 40), (100, 80),
    ):  # fmt: skip
        work = workload("curve", satellites, stations, 7.0)
        timing = race([(rivals.ours(work), 6)])[0]
        lines.append(
            f"| {satellites} | {stations} | {seconds(timing.cpu_s)} "
            f"| {timing.cpu_s / work.pairs * 1e6:.1f} µs |"
        )
    return "\n".join(lines)


def cold() -> str:
    """What the first prediction of a process costs."""
    lines = ["| | wall | processor |", "|---|---|---|"]
    for name, arguments in (
        ("workload M, first run in a process, kernels kept from an earlier one", ("first",)),
        ("the same, kernels compiled", ("first", "anew")),
        ("one target, four stations, seven days: plain path, whole process", ("plain",)),
    ):
        figures = measured_apart(*arguments, rounds=1 if "anew" in arguments else 5)
        lines.append(f"| {name} | {seconds(figures['wall'])} | {seconds(figures['cpu'])} |")
    command = cold_command()
    lines.append(f"| `contactd contacts`, one target, four stations, seven days | {command} |")
    return "\n".join(lines)


def cold_command() -> str:
    """The whole command, from the shell's point of view."""
    best_wall = best_cpu = float("inf")
    for _ in range(5):
        before = os.times()
        began = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "contactd", "contacts", "--config", str(ROOT / "config"),
             "--target", "Lantern 3", "--format", "json"],
            check=False, capture_output=True, cwd=ROOT,
        )  # fmt: skip
        best_wall = min(best_wall, time.perf_counter() - began)
        after = os.times()
        used = after.children_user + after.children_system
        best_cpu = min(best_cpu, used - before.children_user - before.children_system)
    return f"{seconds(best_wall)} | {seconds(best_cpu)}"


def replanning() -> str:
    """What a change costs: one target's elements, an hour more of horizon."""
    work = medium()
    tracks = [Sgp4Track(elements) for elements in work.elements]

    def best(function: Callable[[], object], rounds: int) -> float:
        function()
        times = []
        for _ in range(rounds):
            used = time.process_time()
            function()
            times.append(time.process_time() - used)
        return min(times)

    week = best(
        lambda: predict_fleet(tracks, work.stations, work.start, work.end, compiled=True), 10
    )
    one = best(
        lambda: predict_fleet(tracks[5:6], work.stations, work.start, work.end, compiled=True), 40
    )

    def longer_by(seconds_more: float) -> float:
        until = work.end + seconds_more
        return best(
            lambda: predict_fleet(tracks, work.stations, work.end, until, compiled=True), 20
        )

    day, hour = longer_by(86_400.0), longer_by(3600.0)
    single, places = tracks[5:6], work.stations[:4]
    plain_week = best(
        lambda: predict_fleet(single, places, work.start, work.end, compiled=False), 10
    )
    plain_day = best(
        lambda: predict_fleet(single, places, work.end, work.end + 86_400.0, compiled=False), 20
    )
    plain_hour = best(
        lambda: predict_fleet(single, places, work.end, work.end + 3600.0, compiled=False), 20
    )
    rows = [
        ("workload M, predicted anew", week, week),
        ("one of its hundred targets changed", one, week),
        ("a day more, all targets", day, week),
        ("an hour more, all targets", hour, week),
        ("one target, four stations, a week (plain path)", plain_week, plain_week),
        ("a day more", plain_day, plain_week),
        ("an hour more", plain_hour, plain_week),
    ]
    lines = ["| | processor | share of the whole |", "|---|---|---|"]
    for name, took, all_of_it in rows:
        lines.append(f"| {name} | {seconds(took)} | 1/{all_of_it / took:.1f} |")
    return "\n".join(lines) + (
        "\n\nThe compiled path works on 64 nodes at a time, about six hours of a low orbit: an "
        "hour costs it what six do. The service keeps each target's contacts apart, so that "
        "nothing is put together there when one changes."
    )


def _report(wall: float, cpu: float, **more: float) -> None:
    # Not by getrusage: its peak is at first that of the process which started this one.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    megabytes = int(status.split("VmHWM:")[1].split()[0]) / 1024.0
    figures = {"wall": wall, "cpu": cpu, "megabytes": megabytes, **more}
    print("\n".join(f"{key} {value}" for key, value in figures.items()))


def _measure_large(threads: int) -> None:
    tiny = workload("warm-up", 100, 1, 0.1)
    warm = [Sgp4Track(elements) for elements in tiny.elements]
    predict_fleet(warm, tiny.stations, tiny.start, tiny.end, compiled=True)
    work = large()
    tracks = [Sgp4Track(elements) for elements in work.elements]
    began, used = time.perf_counter(), time.process_time()
    tasks = tasks_of(tracks, work.stations, work.start, work.end, compiled=True)
    parts = list(InThisProcess(threads).map(predict_task, tasks))
    worked = time.process_time() - used
    table = gathered(parts, [t.name for t in tracks], work.stations, work.start, work.end)
    wall, cpu = time.perf_counter() - began, time.process_time() - used
    _report(wall, cpu, contacts=len(table), split=worked / 2.0 + cpu - worked)


def _measure_first() -> None:
    work = medium()
    tracks = [Sgp4Track(elements) for elements in work.elements]
    began, used = time.perf_counter(), time.process_time()
    predict_fleet(tracks, work.stations, work.start, work.end, compiled=True)
    _report(time.perf_counter() - began, time.process_time() - used)


def _measure_plain() -> None:
    work = workload("cold", 1, 4, 7.0)
    tracks = [Sgp4Track(elements) for elements in work.elements]
    predict_fleet(tracks, work.stations, work.start, work.end, compiled=False)
    used = time.process_time()
    _report(used, used)


def main(arguments: list[str]) -> None:
    """What another process is asked to measure."""
    if arguments[0] == "large":
        _measure_large(int(arguments[1]))
    elif arguments[0] == "plain":
        _measure_plain()
    elif arguments[1:] == ["anew"]:
        import tempfile

        with tempfile.TemporaryDirectory() as folder:
            os.environ["NUMBA_CACHE_DIR"] = folder
            _measure_first()
    else:
        _measure_first()


if __name__ == "__main__":
    main(sys.argv[1:])
