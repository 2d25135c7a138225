"""What is done for the ledger itself: it is looked at for damage, copied, and archived."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any, TypeVar

import structlog

from contactd.config import Configuration
from contactd.core.errors import LedgerError
from contactd.records import Ledger
from contactd.records.backup import back_up, copies_in, damage_of, name_of
from contactd.service.archiving import archive
from contactd.service.clock import Clock
from contactd.service.scheduler import Scheduler
from contactd.service.store import Store

LOOK_EVERY_S = 5.0
IDLE_SHARE = 20
"""Looking at a large ledger takes long: so many times as long as it took, it is left alone."""
COPY_LOOK_S = 600.0
DAY_S = 86_400.0

Result = TypeVar("Result")

log = structlog.get_logger("contactd.ledger")


class LedgerUpkeep:
    """Jobs over an SQLite ledger's file; for any other ledger, what can be done of them.

    Args:
        leads: whether this service records: only then the ledger is its to archive.
        damaged: told of damage when it is first noticed.
    """

    def __init__(
        self,
        store: Store,
        clock: Clock,
        scheduler: Scheduler,
        leads: Callable[[], bool],
        damaged: Callable[[], None],
    ) -> None:
        self._store = store
        self._clock = clock
        self._scheduler = scheduler
        self._leads = leads
        self._damaged = damaged
        self._configuration: Configuration | None = None
        self._looked_until = 0.0
        self._thread = ThreadPoolExecutor(1, "ledger-upkeep")

    def follow(self, configuration: Configuration) -> None:
        """Do what a configuration says from now on."""
        before, self._configuration = self._configuration, configuration
        if before is None and self._store.file is not None:
            self._scheduler.every("ledger damage", LOOK_EVERY_S, self.look)
        wanted = configuration.settings.ledger
        if before is not None and before.settings.ledger == wanted:
            return
        for name in ("ledger copy", "ledger archive"):
            self._scheduler.drop(name)
        if wanted.backup is not None:
            every_s = min(wanted.backup.every_s, COPY_LOOK_S)
            self._scheduler.every("ledger copy", every_s, self.copy_if_due)
        if wanted.archive_after_s is not None:
            self._scheduler.every("ledger archive", DAY_S, self.archive)

    async def look(self) -> None:
        """Look for damage of the file."""
        file = self._store.file
        if file is None or self._store.damage or self._clock.boottime() < self._looked_until:
            return
        began = self._clock.boottime()
        found = await self._do(damage_of, file)
        ended = self._clock.boottime()
        self._looked_until = ended + IDLE_SHARE * (ended - began)
        if found:
            self._store.damage = (
                f"the ledger {file} is damaged ({found}): a restart goes on from what can be read"
            )
            log.error("the ledger is damaged", file=str(file), damage=found)
            self._damaged()

    async def copy_if_due(self) -> None:
        """Make a copy if the newest one is too old, and let go of those that are too many."""
        configuration = self._configuration
        assert configuration is not None
        wanted, file = configuration.settings.ledger.backup, self._store.file
        if wanted is None or self._store.damage:
            return
        if file is None:
            log.error("no copy: this ledger is the database server's to copy")
            return
        folder = configuration.directory / wanted.to
        now = self._clock.now()
        copies = copies_in(folder)
        if copies and copies[0].name > name_of(now - wanted.every_s):
            return
        try:
            made = await self._do(back_up, file, folder / name_of(now))
        except LedgerError as error:
            log.error("no copy of the ledger could be made", reason=str(error))
            return
        log.info("ledger copied", to=str(folder / name_of(now)), records=made.records)
        for each in copies_in(folder)[wanted.keep :]:
            each.unlink(missing_ok=True)

    async def archive(self) -> None:
        """Archive what is older than the configuration says."""
        configuration = self._configuration
        assert configuration is not None
        after_s = configuration.settings.ledger.archive_after_s
        if after_s is None or not self._leads() or self._store.damage:
            return
        now = self._clock.now()

        def work() -> int:
            with Ledger.open(configuration.store_url) as ledger:
                made = archive(ledger, now - after_s, now)
            if made.archive is None:
                return 0
            return made.archive.until_number - made.archive.first_number + 1

        try:
            count = await self._do(work)
        except (LedgerError, ValueError) as error:
            log.error("nothing was archived", reason=str(error))
            return
        if count:
            log.info("records archived", records=count)

    def close(self) -> None:
        """Begin nothing more."""
        self._thread.shutdown(wait=False, cancel_futures=True)

    async def _do(self, function: Callable[..., Result], *arguments: Any) -> Result:
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._thread, partial(function, *arguments))
