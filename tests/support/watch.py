"""The daemon in the test's own process, on a clock that the test moves; all else is real."""

from __future__ import annotations

from pathlib import Path

from prometheus_client import CollectorRegistry

from contactd.config import examine
from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock
from contactd.service.daemon import Daemon
from contactd.service.election import Pair
from contactd.service.files import FilesOnDisk
from contactd.service.metrics import Instruments, SnapshotCollector
from contactd.service.store import Store
from contactd.service.surroundings import Surroundings


class Watch:
    """A daemon over a configuration's folder, beaten by hand."""

    def __init__(self, config: Path, clock: SimulatedClock, pair: Pair | None = None) -> None:
        found = examine(config, config.parent, clock.now())
        refused = tuple(str(error) for error in found.errors)
        self.clock = clock
        self.url = found.configuration.store_url
        self.store = Store(Ledger.open(self.url))
        self.registry = CollectorRegistry()
        self.daemon = Daemon(
            found.configuration,
            refused,
            FilesOnDisk(found.configuration, config.parent),
            self.store,
            Surroundings(clock, Instruments(self.registry), pair=pair),
        )
        self.registry.register(SnapshotCollector(self.daemon.snapshot, clock.now))

    async def begin(self) -> None:
        """Start, and beat until the first plan is complete."""
        await self.daemon.begin()
        await self.settle()

    async def settle(self) -> None:
        """Beat without letting time pass until all predictions that were asked for are there."""
        await self.daemon.beat()
        while self.daemon.busy:
            await self.daemon.idle()
            await self.daemon.beat()

    async def beats(self, count: int, every_s: float = 1.0) -> None:
        """Let time pass with a beat after each ``every_s``."""
        for _ in range(count):
            await self.clock.advance(every_s)
            await self.settle()

    async def end(self) -> None:
        """Finish as SIGTERM would have it."""
        await self.daemon.end()
        self.store.close()

    def vanish(self) -> None:
        """Stop as kill -9 would: nothing is written any more."""
        self.store.close()

    def records(self, *wanted: str) -> list[Record]:
        """What stands in the ledger, of these kinds or of all."""
        with Ledger.open(self.url) as ledger:
            return [each for each in ledger.records() if not wanted or each.kind in wanted]

    def raised(self, kind: str = "") -> list[Record]:
        """Alerts raised, of one kind or of all."""
        found = self.records(kinds.ALERT_RAISED)
        return [each for each in found if kind in ("", each.body["kind"])]

    def told(self, kind: str = "") -> list[Record]:
        """Alerts as they were raised, and told again or as changed, of one kind or of all."""
        found = self.records(kinds.ALERT_RAISED, kinds.ALERT_CHANGED)
        return [
            each
            for each in found
            if kind in ("", each.body["kind"]) and each.body.get("told", True)
        ]

    def sample(self, name: str, **labels: str) -> float | None:
        """The value of a metric."""
        return self.registry.get_sample_value(name, labels)
