"""The service for a long time: ``python tests/benchmarks/soak.py [--minutes 10] [--days 90]``.

First for minutes, the real process: a real ledger, a real receiver of alerts over a socket; files
are edited, broken and mended, elements change, reloads are asked for, the receiver goes away and
comes back, faces and metrics are read. Then for simulated months at speed, the same daemon in this
process over a real ledger file: new elements each day, broken files, a failing disk, receivers in
every mood, a clock that is set. Memory, descriptors and threads are told as they go on, and what
they grow by; and how late alerts were, which shows whether the beat drifts.
"""

from __future__ import annotations

import argparse
import asyncio
import gc
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from workloads import workload

TESTS = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(TESTS / "support"), str(TESTS / "simulation")]

import httpx  # noqa: E402
import structlog  # noqa: E402
import yaml  # noqa: E402
from real_process import RealProcess, free_port  # noqa: E402
from world import Receiver, WorldChannels, WorldFiles  # noqa: E402

from contactd.config import Configuration, load  # noqa: E402
from contactd.core import instants  # noqa: E402
from contactd.core import record as kinds  # noqa: E402
from contactd.core.errors import LedgerError  # noqa: E402
from contactd.core.orbit.tle import format_tle  # noqa: E402
from contactd.core.record import Record  # noqa: E402
from contactd.records import Ledger  # noqa: E402
from contactd.service.daemon import Daemon  # noqa: E402
from contactd.service.files import Loaded  # noqa: E402
from contactd.service.scheduler import Scheduler, Work  # noqa: E402
from contactd.service.store import LedgerLike, Store  # noqa: E402
from contactd.service.surroundings import Surroundings  # noqa: E402
from contactd.service.virtual_loop import Inline, VirtualLoop  # noqa: E402

DAY_S = 86_400.0
START = instants.from_text("2026-12-03T08:00:00Z")
MOODS = ("well", "well", "well", "slow", "failing", "busy", "lossy")
BROKEN = Loaded(None, ("targets/0.yaml:3:1: elements: found nothing; expected elements",))

RECEIVER = """
import http.server, sys

class Desk(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass

http.server.ThreadingHTTPServer(("127.0.0.1", int(sys.argv[1])), Desk).serve_forever()
"""


@dataclass(frozen=True)
class Sample:
    """What a process holds at a moment."""

    at_s: float
    megabytes: float
    descriptors: int
    threads: int
    cpu_s: float
    records: int
    ledger_mb: float


def sample(pid: int, at_s: float, records: int, ledger: Path) -> Sample:
    """Look at a process from outside."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    size = sum(each.stat().st_size for each in ledger.parent.glob(f"{ledger.name}*"))
    return Sample(
        at_s,
        int(status.split("VmRSS:")[1].split()[0]) / 1024.0,
        len(os.listdir(f"/proc/{pid}/fd")),
        int(status.split("Threads:")[1].split()[0]),
        (int(stat[11]) + int(stat[12])) / os.sysconf("SC_CLK_TCK"),
        records,
        size / 1e6,
    )


def curve(samples: Sequence[Sample], unit: str, unit_s: float) -> str:
    """Samples as a table, and what they grow by in their second half."""
    lines = [
        f"| {unit} | memory, MB | descriptors | threads | processor, s | records | ledger, MB |",
        "|---|---|---|---|---|---|---|",
    ]
    for each in samples:
        lines.append(
            f"| {each.at_s / unit_s:.0f} | {each.megabytes:.1f} | {each.descriptors} "
            f"| {each.threads} | {each.cpu_s:.1f} | {each.records} | {each.ledger_mb:.2f} |"
        )
    late = samples[len(samples) // 2 :]
    at = np.array([each.at_s for each in late])
    slope = np.polyfit(at, [each.megabytes for each in late], 1)[0] if len(late) > 2 else 0.0
    spread = [each.descriptors for each in late]
    return "\n".join(lines) + (
        f"\n\nIn the second half memory grew by {slope * (at[-1] - at[0]):+.1f} MB; "
        f"{min(spread)} to {max(spread)} descriptors were open."
    )


def files(config: Path, epoch: float, settings: dict[str, Any], targets: int, turn: int) -> None:
    """Lays a watch room's files; another turn, other elements and starts."""
    work = workload("soak", targets, 6, 1.0)
    for name in ("stations", "targets"):
        (config / name).mkdir(parents=True, exist_ok=True)
    _write(config / "contactd.yaml", settings)
    for number, station in enumerate(work.stations):
        _write(
            config / "stations" / f"{number}.yaml",
            {
                "name": f"House {number}",
                "latitude_deg": station.latitude_deg,
                "longitude_deg": station.longitude_deg,
                "least_elevation_deg": 5,
                "services": {"telemetry": {}, "command": {"least_elevation_deg": 8}},
            },
        )
    for number in range(targets):
        lay_target(config, number, targets, epoch, turn)


def lay_target(config: Path, number: int, targets: int, epoch: float, turn: int) -> None:
    """One target's file."""
    elements = workload("soak", targets, 6, 1.0).elements[number]
    moved = replace(
        elements,
        epoch=round(epoch),
        mean_anomaly_deg=round((elements.mean_anomaly_deg + 0.02 * turn) % 360.0, 4),
    )
    need = {"service": "telemetry", "before": "10s", "after": "1min"}
    _write(
        config / "targets" / f"{number}.yaml",
        {
            "name": f"Craft {number}",
            "elements": {"tle": "\n".join(format_tle(moved))},
            "sequences": [
                {
                    "name": f"round {turn}",
                    "start": {
                        "status": "observed",
                        "at": instants.to_text(epoch, 0),
                        "give_or_take": "20s",
                    },
                    "steps": [
                        {"name": "receiver on", "after": "start", "delay": "50min", "needs": need},
                        {"name": "heaters on", "after": "start", "delay": "5h", "needs": need},
                    ],
                }
            ],
        },
    )


def _write(path: Path, content: dict[str, Any]) -> None:
    beside = path.with_suffix(".part")
    beside.write_text(yaml.safe_dump(content, sort_keys=False), encoding="utf-8")
    beside.rename(path)


class RealSoak:
    """The real process, and what befalls it."""

    def __init__(self, folder: Path, targets: int = 12) -> None:
        self.folder, self.config, self.targets = folder, folder / "config", targets
        self.port, self.desk_port = free_port(), free_port()
        self.desk: subprocess.Popen[bytes] | None = None
        self.chance = random.Random(5)
        self.turn = 0
        self.settings = {
            "http": {"port": self.port},
            "log": {"format": "json"},
            "channels": [
                {
                    "kind": "webhook",
                    "name": "desk",
                    "url": f"http://127.0.0.1:{self.desk_port}/alerts",
                }
            ],
        }
        files(self.config, self.now(), self.settings, targets, 0)
        command = [Path(sys.executable).with_name("contactd"), "run", "--config", self.config]
        self.process = RealProcess(command, folder / "contactd.log", {}, folder)

    def now(self) -> float:
        """The present."""
        return instants.from_unix(time.time())

    def edit_elements(self) -> None:
        self.turn += 1
        number = self.chance.randrange(self.targets)
        lay_target(self.config, number, self.targets, self.now() - 60.0, self.turn)

    def reload(self) -> None:
        self.process.signal(signal.SIGHUP)

    def break_and_mend(self) -> None:
        path = self.config / "targets" / "0.yaml"
        text = path.read_text(encoding="utf-8")
        path.write_text(text + "nonsense: [\n", encoding="utf-8")
        time.sleep(5.0)
        path.write_text(text, encoding="utf-8")

    def desk_comes_or_goes(self) -> None:
        if self.desk is None:
            command = [sys.executable, "-c", RECEIVER, str(self.desk_port)]
            self.desk = subprocess.Popen(command)
        else:
            self.desk.kill()
            self.desk.wait(10)
            self.desk = None

    def read_all(self) -> None:
        for path in ("/metrics", "/api/v1/targets", "/contacts.ics", "/", "/health/ready"):
            httpx.get(f"http://127.0.0.1:{self.port}{path}", timeout=120.0)

    def metric(self, name: str) -> float:
        text = httpx.get(f"http://127.0.0.1:{self.port}/metrics", timeout=120.0).text
        lines = [line for line in text.splitlines() if line.startswith((f"{name} ", f"{name}{{"))]
        return sum(float(line.rsplit(" ", 1)[1]) for line in lines)

    def go(self, minutes: float) -> str:
        """Let it run, with something happening every few seconds."""
        happenings: list[Callable[[], None]] = [
            self.edit_elements, self.edit_elements, self.reload, self.break_and_mend,
            self.desk_comes_or_goes, self.read_all, self.read_all, self.read_all,
        ]  # fmt: skip
        counts = dict.fromkeys((each.__name__ for each in happenings), 0)
        self.desk_comes_or_goes()
        self.process.start()
        ledger = self.folder / "var" / "ledger.sqlite"
        time.sleep(10.0)
        began, samples = time.monotonic(), []
        beats = self.metric("contactd_beats_total")
        try:
            while (gone := time.monotonic() - began) < minutes * 60.0:
                if gone >= len(samples) * minutes * 60.0 / 20.0:
                    records = int(self.metric("contactd_ledger_records"))
                    samples.append(sample(self.process.pid, gone, records, ledger))
                what = self.chance.choice(happenings)
                what()
                counts[what.__name__] += 1
                time.sleep(self.chance.uniform(0.5, 3.0))
            gone = time.monotonic() - began
            beaten = self.metric("contactd_beats_total") - beats
            errors = self.metric("contactd_beat_errors_total")
            delivered = self.metric("contactd_alerts_delivered_total")
            ended = self.process.stop(30.0)
        finally:
            self.process.clean_up()
            if self.desk is not None:
                self.desk.kill()
        told = ", ".join(f"{count} × {name.replace('_', ' ')}" for name, count in counts.items())
        with Ledger.open(f"sqlite:///{ledger}") as reader:
            late = lateness(reader)
        return (
            f"{curve(samples, 'minute', 60.0)}\n\n{told}. {beaten:.0f} beats in {gone:.0f} s, "
            f"{errors:.0f} errors; {delivered:.0f} alerts delivered. Events were raised {late}. "
            f"Exit code {ended}."
        )


class FailingLedger:
    """A real ledger, on a disk that can fail."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        self.failing = ""

    def append(self, records: Sequence[Record]) -> list[Record]:
        if self.failing:
            raise LedgerError(self.failing, passing=True)
        return self.ledger.append(records)

    def since(self, number: int, limit: int) -> list[Record]:
        if self.failing:
            raise LedgerError(self.failing, passing=True)
        return self.ledger.since(number, limit)

    def close(self) -> None:
        self.ledger.close()


class SoakClock:
    """Clocks over a virtual loop; the wall clock can be set."""

    def __init__(self, loop: VirtualLoop) -> None:
        self._loop = loop
        self.stepped_s = 0.0

    def monotonic(self) -> float:
        return self._loop.time()

    boottime = monotonic

    def now(self) -> float:
        return START + self.monotonic() + self.stepped_s

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class SoakScheduler(Scheduler):
    """The jobs come seldom: months pass in minutes."""

    def every(self, name: str, seconds: float, work: Work) -> None:
        super().every(name, max(seconds, 300.0), work)


class Months:
    """The daemon over simulated months."""

    def __init__(self, folder: Path, targets: int = 2) -> None:
        self.folder, self.targets = folder, targets
        self.chance = random.Random(9)
        self.ledger_path = folder / "ledger.sqlite"
        self.late_s: list[float] = []
        self.began = time.perf_counter()

    def configuration(self, now: float, turn: int) -> Configuration:
        """As the files say on that day."""
        config = self.folder / "config"
        settings = {
            "horizon": {"ahead": "2d", "back": "6h"},
            "channels": [{"kind": "webhook", "name": "desk", "url": "http://127.0.0.1:9/desk"}],
            "alerts": {"contact_lead": ["1min"]},
        }
        files(config, now - 1800.0, settings, self.targets, turn)
        return load(config, self.folder, now)

    def go(self, days: float) -> str:
        """Let the time pass."""
        structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
        loop = VirtualLoop()
        try:
            return loop.run_until_complete(self._main(loop, days))
        finally:
            loop.close()

    async def _main(self, loop: VirtualLoop, days: float) -> str:
        clock = SoakClock(loop)
        files_now = WorldFiles(Loaded(self.configuration(clock.now(), 0)))
        assert files_now.content.configuration is not None
        ledger = FailingLedger(Ledger.open(f"sqlite:///{self.ledger_path}"))
        desk = Receiver("desk", clock)  # type: ignore[arg-type]
        daemon = Daemon(
            files_now.content.configuration,
            (),
            files_now,
            Store(ledger, Inline()),
            Surroundings(
                clock,
                threads=Inline(),
                channels=WorldChannels([desk]),  # type: ignore[arg-type]
                scheduler=SoakScheduler(clock),
                beat_s=30.0,  # what falls due in between wakes the daemon by itself
            ),
        )
        running = asyncio.ensure_future(daemon.run())
        samples: list[Sample] = []
        told = 0
        for day in range(round(days)):
            if day % max(1, round(days / 15)) == 0:
                gc.collect()
                number = daemon.snapshot().ledger_at
                samples.append(sample(os.getpid(), day * DAY_S, number, self.ledger_path))
            await self._one_day(clock, files_now, ledger, desk, day)
            told += len(desk.accepted)
            desk.accepted.clear()
        number = daemon.snapshot().ledger_at
        samples.append(sample(os.getpid(), days * DAY_S, number, self.ledger_path))
        open_alerts = len(daemon.snapshot().alerts)
        daemon.stop()
        await running
        late = lateness(ledger)
        took_s = time.perf_counter() - self.began
        return (
            f"{curve(samples, 'day', DAY_S)}\n\n{days:.0f} days in {took_s:.0f} s: "
            f"{days * DAY_S / took_s:.0f} times as fast as life. {told} messages accepted, "
            f"{open_alerts} alerts open at the end. Events were raised {late}."
        )

    async def _one_day(
        self,
        clock: SoakClock,
        files_now: WorldFiles,
        ledger: FailingLedger,
        desk: Receiver,
        day: int,
    ) -> None:
        """New elements in the morning, and a few faults."""
        left_s = DAY_S
        if day:
            files_now.put(Loaded(self.configuration(clock.now(), day)))
        for _ in range(4):
            wait_s = self.chance.uniform(600.0, DAY_S / 6)
            await clock.sleep(wait_s)
            left_s -= wait_s
            fault = self.chance.randrange(4)
            if fault == 0:
                ledger.failing = "the disk is full"
                await clock.sleep(300.0)
                ledger.failing = ""
                left_s -= 300.0
            elif fault == 1:
                desk.mood = self.chance.choice(MOODS)
            elif fault == 2:
                content = files_now.content
                files_now.put(BROKEN)
                await clock.sleep(900.0)
                files_now.put(content)
                left_s -= 900.0
            else:
                clock.stepped_s += self.chance.choice([-2.0, -0.2, 0.2, 2.0])
        desk.mood = "well"
        await clock.sleep(left_s)


def lateness(ledger: LedgerLike) -> str:
    """How late events were raised, in the first and in the last third of the time.

    What was due before anybody could know of it, and says so, is left aside.
    """
    late: list[float] = []
    number = 0
    while records := ledger.since(number, 5_000):
        number = records[-1].number
        for record in records:
            body = record.body
            if record.kind == kinds.ALERT_RAISED and body["sort"] == "event" and not body["late"]:
                late.append(record.at - instants.from_text(body["due"]))
    if not late:
        return "never"
    third = max(len(late) // 3, 1)
    first, last = late[:third], late[-third:]
    return (
        f"{statistics.median(first):.2f} s after they fell due (median) in the first third, "
        f"{statistics.median(last):.2f} s in the last; {len(late)} events"
    )


def main() -> None:
    """Run and print."""
    reader = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    reader.add_argument("--minutes", type=float, default=10.0, help="of the real process")
    reader.add_argument("--days", type=float, default=90.0, help="simulated")
    given = reader.parse_args()
    if given.minutes:
        with tempfile.TemporaryDirectory() as folder:
            print(RealSoak(Path(folder)).go(given.minutes), flush=True)
    if given.days:
        with tempfile.TemporaryDirectory() as folder:
            print(Months(Path(folder)).go(given.days), flush=True)


if __name__ == "__main__":
    main()
