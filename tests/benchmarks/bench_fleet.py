"""A fleet in one service: ``python tests/benchmarks/bench_fleet.py [--targets N] [--stations N]``.

Starts the real service over the files of 1,000 targets and 50 stations, with a real ledger in
SQLite, and measures from outside: the first full plan of seven days, what the service costs when
nothing happens, its memory, a scrape of ``/metrics``, and the reload of one target with other
elements. Every tenth target has a sequence of three steps ahead of it.

The fleet is watched as a fleet would be: what goes as planned (each contact of each target) is not
told one by one.
"""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import yaml
from workloads import Workload, workload

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS / "support")]

import httpx  # noqa: E402
from real_process import RealProcess, free_port  # noqa: E402

from contactd.config.settings import ROUTINE  # noqa: E402
from contactd.core import instants  # noqa: E402
from contactd.core.orbit.elements import ElementSet  # noqa: E402
from contactd.core.orbit.tle import format_tle  # noqa: E402

CONTACTD = Path(sys.executable).with_name("contactd")
TICKS = os.sysconf("SC_CLK_TCK")
PATIENCE_S = 900.0
HILLS = [[0, 5], [40, 12], [80, 6], [200, 5], [250, 16], [300, 6]]


class Fleet:
    """The files of a fleet, and the service over them."""

    def __init__(self, folder: Path, targets: int, stations: int) -> None:
        self.folder = folder
        self.config = folder / "config"
        self.now = instants.from_unix(time.time())
        self.port = free_port()
        self.work = workload("fleet", targets, stations, 7.0)
        for name in ("stations", "targets"):
            (self.config / name).mkdir(parents=True)
        self._write(
            "contactd.yaml",
            {
                "http": {"port": self.port},
                "log": {"format": "json"},
                "alerts": {"contact_lead": [], "window_lead": [], "disabled_kinds": list(ROUTINE)},
            },
        )
        self._write_stations(self.work)
        for number in range(targets):
            self.write_target(number, self.elements(number))
        self.process = RealProcess(
            [CONTACTD, "run", "--config", self.config], folder / "contactd.log", {}, folder
        )

    def elements(self, number: int, older_s: float = 0.0) -> ElementSet:
        """A target's elements, some hours old."""
        found = self.work.elements[number]
        age_s = 3600.0 * (1 + number % 12) + older_s
        return replace(found, epoch=round(self.now - age_s))

    def write_target(self, number: int, elements: ElementSet) -> None:
        """One target's file."""
        content: dict[str, Any] = {
            "name": f"Craft {number:04d}",
            "elements": {
                "tle": "\n".join(format_tle(elements)),
                "timing_error": {"at_epoch": "0.2s", "per_day": "1s"},
            },
        }
        if number % 10 == 0:
            first = instants.to_text(self.now + 3600.0 * (6 + number % 24), 0)
            last = instants.to_text(self.now + 3600.0 * (7 + number % 24), 0)
            content["sequences"] = [_sequence(first, last)]
        self._write(f"targets/{number:04d}.yaml", content)

    def _write_stations(self, work: Workload) -> None:
        for number, station in enumerate(work.stations):
            self._write(
                f"stations/{number:02d}.yaml",
                {
                    "name": f"House {number:02d}",
                    "latitude_deg": station.latitude_deg,
                    "longitude_deg": station.longitude_deg,
                    "altitude_m": station.altitude_m,
                    "least_elevation_deg": 5,
                    "mask": HILLS if number % 5 == 0 else [],
                    "services": {
                        "telemetry": {},
                        "command": {
                            "least_elevation_deg": 10, "acquisition": "20s", "guard": "10s",
                        },
                    },
                },
            )  # fmt: skip

    def _write(self, name: str, content: dict[str, Any]) -> None:
        text = yaml.safe_dump(content, sort_keys=False, allow_unicode=True)
        (self.config / name).write_text(text, encoding="utf-8")

    def get(self, path: str) -> httpx.Response:
        """Its answer."""
        return httpx.get(f"http://127.0.0.1:{self.port}{path}", timeout=60.0)

    def is_ready(self) -> bool:
        """Whether the first plan is complete."""
        try:
            return self.get("/health/ready").status_code == 200
        except httpx.TransportError:
            return False

    @property
    def events(self) -> list[dict[str, Any]]:
        """The lines of its log."""
        return [json.loads(each) for each in self.process.output().splitlines() if each[:1] == "{"]

    @property
    def cpu_s(self) -> float:
        """Processor time that it has used."""
        stat = Path(f"/proc/{self.process.pid}/stat").read_text(encoding="ascii")
        fields = stat.rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / TICKS

    def megabytes(self, kind: str) -> float:
        """Its memory: ``VmRSS`` now, ``VmHWM`` at most."""
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        return int(status.split(f"{kind}:")[1].split()[0]) / 1024.0

    @property
    def ledger(self) -> Path:
        """Its ledger's file."""
        return self.folder / "var" / "ledger.sqlite"


def _sequence(first: str, last: str) -> dict[str, Any]:
    def step(name: str, after: str, delay: str, service: str) -> dict[str, Any]:
        needs = {"service": service, "before": "30s", "after": "2min"}
        return {"name": name, "after": after, "delay": delay, "needs": needs}

    return {
        "name": "wake-up",
        "start": {
            "status": "expected", "not_before": first, "not_after": last, "give_or_take": "30s",
        },
        "clock": {"rate_error_ppm": 50},
        "steps": [
            step("receiver on", "start", "4h", "telemetry"),
            step("heaters on", "receiver on", "95min", "telemetry"),
            step("antenna release", "heaters on", "3h", "command"),
        ],
    }  # fmt: skip


def until(holds: Callable[[], bool], what: str, pause_s: float = 0.05) -> float:
    """Seconds until something holds."""
    began = time.perf_counter()
    while not holds():
        if time.perf_counter() - began > PATIENCE_S:
            raise TimeoutError(what)
        time.sleep(pause_s)
    return time.perf_counter() - began


def first_plan(fleet: Fleet) -> list[tuple[str, str, str]]:
    """From the start of the process to the complete plan."""
    fleet.process.start()
    watching_s = until(lambda: '"watching"' in fleet.process.output(), "the service to watch", 0.1)
    before_s = fleet.cpu_s
    ready_s = until(fleet.is_ready, "the first plan", 0.25)
    used_s = fleet.cpu_s - before_s
    with sqlite3.connect(f"file:{fleet.ledger}?mode=ro", uri=True) as ledger:
        tables = [row[0] for row in ledger.execute("select name from sqlite_master")]
        name = next(each for each in tables if each.startswith("record"))
        records = ledger.execute(f"select count(*) from {name}").fetchone()[0]
    size_mb = sum(each.stat().st_size for each in fleet.ledger.parent.glob("ledger.sqlite*")) / 1e6
    return [
        ("files read, ledger opened", f"{watching_s:.1f} s", f"{before_s:.1f} s processor"),
        ("full plan of 7 days, stored", f"{ready_s:.1f} s", f"{used_s:.1f} s processor"),
        ("ledger after that", f"{records} records", f"{size_mb:.1f} MB"),
        (
            "memory after that",
            f"{fleet.megabytes('VmRSS'):.0f} MB",
            f"at most {fleet.megabytes('VmHWM'):.0f} MB",
        ),
    ]


def steady(fleet: Fleet, seconds: float) -> list[tuple[str, str, str]]:
    """Processor time while nothing happens."""
    time.sleep(15.0)
    before_s, began = fleet.cpu_s, time.perf_counter()
    time.sleep(seconds)
    share = (fleet.cpu_s - before_s) / (time.perf_counter() - began)
    return [("steady state", f"{share:.1%} of one core", f"over {seconds:.0f} s")]


def scrapes(fleet: Fleet, rounds: int = 15) -> list[tuple[str, str, str]]:
    """A scrape of the metrics."""
    fleet.get("/metrics")
    walls, before_s = [], fleet.cpu_s
    for _ in range(rounds):
        began = time.perf_counter()
        answer = fleet.get("/metrics")
        walls.append(time.perf_counter() - began)
    used_ms = (fleet.cpu_s - before_s) / rounds * 1e3
    samples = sum(not line.startswith("#") for line in answer.text.splitlines())
    walls_ms = f"median {statistics.median(walls) * 1e3:.0f} ms, best {min(walls) * 1e3:.0f} ms"
    return [("scrape of /metrics", walls_ms, f"{used_ms:.0f} ms processor, {samples} samples")]


def page(fleet: Fleet) -> list[tuple[str, str, str]]:
    """What the page's first screens ask for."""
    rows = []
    for what in ("now", "alerts", "timeline", "stations"):
        before_s, began = fleet.cpu_s, time.perf_counter()
        answer = fleet.get(f"/api/v1/{what}")
        wall_s, used_s = time.perf_counter() - began, fleet.cpu_s - before_s
        size = f"{len(answer.content) / 1e6:.2f} MB plain, status {answer.status_code}"
        rows.append(
            (f"page: /api/v1/{what}", f"{wall_s:.2f} s", f"{used_s:.2f} s processor, {size}")
        )
    return rows


def reload_one(fleet: Fleet, rounds: int = 5) -> list[tuple[str, str, str]]:
    """Other elements for one target: from the signal to its new prediction."""
    import signal

    walls, cpu = [], []
    for turn in range(rounds):
        number = 17 + turn
        name = f"Craft {number:04d}"
        done = len([e for e in fleet.events if e.get("target") == name])
        fleet.write_target(number, fleet.elements(number, older_s=-600.0))
        before_s = fleet.cpu_s
        fleet.process.signal(signal.SIGHUP)

        def predicted(name: str = name, done: int = done) -> bool:
            return (
                len(
                    [
                        e
                        for e in fleet.events
                        if e.get("target") == name and e["event"] == "predicted"
                    ]
                )
                > done
            )

        walls.append(until(predicted, "the new prediction", 0.01))
        cpu.append(fleet.cpu_s - before_s)
        time.sleep(5.0)
    return [
        (
            "reload of one target, to its new prediction",
            f"median {statistics.median(walls):.2f} s, worst {max(walls):.2f} s",
            f"{statistics.median(cpu):.2f} s processor",
        )
    ]


def report(targets: int = 1_000, stations: int = 50, seconds: float = 90.0) -> str:
    """All of it as a table."""
    with tempfile.TemporaryDirectory() as folder:
        fleet = Fleet(Path(folder), targets, stations)
        try:
            rows = first_plan(fleet)
            rows += steady(fleet, seconds)
            rows += scrapes(fleet)
            rows += page(fleet)
            rows += reload_one(fleet)
            rows.append(("memory at the end", f"{fleet.megabytes('VmRSS'):.0f} MB",
                         f"at most {fleet.megabytes('VmHWM'):.0f} MB"))  # fmt: skip
        finally:
            fleet.process.clean_up()
    lines = [f"| {targets} targets, {stations} stations | measured | |", "|---|---|---|"]
    lines += [f"| {what} | {first} | {second} |" for what, first, second in rows]
    return "\n".join(lines)


def main() -> None:
    """Measure and print."""
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--targets", type=int, default=1_000)
    reader.add_argument("--stations", type=int, default=50)
    reader.add_argument("--seconds", type=float, default=90.0, help="of steady state")
    given = reader.parse_args()
    print(report(given.targets, given.stations, given.seconds))


if __name__ == "__main__":
    main()
