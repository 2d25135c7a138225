"""Running a rehearsal: as fast as the machine can, or live at a speed that can be changed."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import structlog
from prometheus_client import CollectorRegistry, Gauge

from contactd.config import Configuration, load
from contactd.config.demo import write_demo
from contactd.config.rehearsal import DEMO, Script
from contactd.records import Ledger
from contactd.service.alarm_metrics import AlarmCollector
from contactd.service.daemon import Daemon
from contactd.service.metrics import Instruments, SnapshotCollector
from contactd.service.paced_clock import PacedClock
from contactd.service.rehearsal.actions import Stage
from contactd.service.rehearsal.controls import Controls
from contactd.service.rehearsal.report import Moment, Report, report_on
from contactd.service.rehearsal.sandbox import (
    MARK,
    MarkedLedger,
    StagedChannels,
    StagedFiles,
    ledger_url,
    staged,
)
from contactd.service.store import Store
from contactd.service.surroundings import Surroundings
from contactd.service.virtual_loop import Inline, VirtualLoop

log = structlog.get_logger("contactd.rehearsal")


class Rehearsal:
    """One rehearsal of a script.

    Args:
        folder: an empty folder of its own, for its ledger and, if it plays in the demo, its files.
        beside: the folder that the script's ``config`` is relative to.
    """

    def __init__(self, script: Script, folder: Path, beside: Path) -> None:
        self.script = script
        self.url = ledger_url(folder)
        self.notice = f"{MARK} “{script.title}”: nothing here is real."
        self.clock = PacedClock(script.begins)
        self.configuration = staged(self._read(folder, beside), script, self.url)
        self.registry = CollectorRegistry()
        self._happened: list[Moment] = []
        self.controls = Controls(
            self.clock,
            script.title,
            script.lasts_s,
            [each.after_s for each in script.events],
            self._note,
        )
        self.daemon: Daemon | None = None

    def _note(self, after_s: float, what: str) -> None:
        log.info(f"{MARK}: {what}")
        self._happened.append(Moment(after_s, what))

    def _read(self, folder: Path, beside: Path) -> Configuration:
        if self.script.config == DEMO:
            directory = folder / "config"
            write_demo(directory, self.script.begins)
        else:
            directory = beside / self.script.config
        return load(directory, folder, self.script.begins)

    def play(self) -> Report:
        """All of it, headless and without waiting."""
        loop = VirtualLoop()
        try:
            return loop.run_until_complete(self.go_on(headless=True))
        finally:
            loop.close()

    async def go_on(
        self,
        headless: bool,
        speed: float = 1.0,
        ready: Callable[[Daemon], None] = lambda _: None,
    ) -> Report:
        """All of it, in the running event loop.

        Args:
            headless: nothing that waits for the world outside is used.
            speed: script's seconds per second of the event loop.
            ready: told of the daemon before it starts.
        """
        files = StagedFiles(self.configuration)
        channels = StagedChannels(self.clock, headless)
        ledger = Ledger.open(self.url)
        threads = Inline() if headless else None
        marked = MarkedLedger(ledger, self.script.title, self.clock.boottime)
        store = Store(marked, threads, is_alone=True)
        self._mark_metrics()
        daemon = Daemon(
            self.configuration,
            (),
            files,
            store,
            Surroundings(
                self.clock, Instruments(self.registry), threads=threads, channels=channels
            ),
        )
        self.daemon = daemon
        self.registry.register(SnapshotCollector(daemon.snapshot, self.clock.now))
        self.registry.register(AlarmCollector(lambda: daemon.state.alerts, self.clock.now))
        self.clock.go(speed)
        ready(daemon)
        running = asyncio.ensure_future(daemon.run())
        stage = Stage(daemon, self.clock, files, channels, threads)
        directing = asyncio.ensure_future(self._direct(stage))
        await asyncio.wait((running, directing), return_when=asyncio.FIRST_COMPLETED)
        daemon.stop()
        directing.cancel()
        await asyncio.gather(running, directing, return_exceptions=True)
        lasted_s = self.clock.boottime()
        store.close()
        with Ledger.open(self.url) as told:
            records = list(told.records())
        return report_on(self.script, self._happened, records, marked.made_s, lasted_s)

    async def _direct(self, stage: Stage) -> None:
        """Let everything happen at its time."""
        for event in sorted(self.script.events, key=lambda each: each.after_s):
            await self._sleep_until(event.after_s)
            try:
                what = await stage.let_happen(event)
            except Exception as error:  # noqa: BLE001 - the rehearsal goes on and says so
                what = f"could not happen: {event.what[0]}: {error}"
            self._note(event.after_s, what)
        await self._sleep_until(self.script.lasts_s)

    async def _sleep_until(self, after_s: float) -> None:
        while (left_s := after_s - self.clock.boottime()) > 1e-6:
            await self.clock.sleep(left_s)

    def _mark_metrics(self) -> None:
        mark = Gauge(
            "contactd_rehearsal",
            "1 while all of this is a rehearsal; nothing in it is real.",
            ("title",),
            registry=self.registry,
        )
        mark.labels(self.script.title).set(1)
