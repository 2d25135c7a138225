"""Looks at the configuration's files and at the feeds, and tells the watch what they say."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING

from contactd.config import Configuration
from contactd.core.planning import Target
from contactd.service.clock import Clock
from contactd.service.events import Event, Fed, FilesRead
from contactd.service.feeding import Feeding
from contactd.service.files import Files, Loaded

if TYPE_CHECKING:
    from contactd.service.effects import Effects
    from contactd.service.leadership import Leading
    from contactd.service.metrics import Instruments
    from contactd.service.watch import Watch


class Reloader:
    """Reads files and feeds off the event loop.

    Args:
        files: the configuration's files.
        watch: what is in force, and what the ledger knows.
        post: has events taken by the watch.
    """

    def __init__(
        self,
        files: Files,
        watch: Watch,
        effects: Effects,
        leading: Leading,
        clock: Clock,
        instruments: Instruments,
        post: Callable[[Event], None],
    ) -> None:
        self._files = files
        self._watch = watch
        self._effects = effects
        self._leading = leading
        self._clock = clock
        self._instruments = instruments
        self._post = post
        self._feeding = Feeding(clock)
        self._reading = asyncio.Lock()

    def begin(self) -> None:
        """Follow the feeds of the configuration in force, from what the ledger knows."""
        self._follow(self._watch.state.configuration)
        self._adopt_feeds()

    async def close(self) -> None:
        """Let go of the feeds' connections."""
        await self._feeding.close()

    async def look_at_files(self) -> bool:
        """Have the files adopted if they have changed; whether they have been read."""
        return await self._read(lambda: self._files.changed(self._clock.now()))

    async def reload(self) -> None:
        """Have the files adopted now, whether they have changed or not."""
        await self._read(lambda: self._files.load(self._clock.now()))

    async def _read(self, load: Callable[[], Loaded | None]) -> bool:
        async with self._reading:
            loaded = await self._effects.predicting.here(load)
            if loaded is None:
                return False
            targets: dict[str, Target] = {}
            if loaded.configuration is not None:
                self._follow(loaded.configuration)
                targets = self._feeding.targets(loaded.configuration.targets)
            self._post(FilesRead(loaded, targets))
            await self._effects.keeper.settle()
            return True

    async def look_at_feeds(self) -> None:
        """Fetch what is due, and have adopted what is new."""
        # What is watched in spite of the files may have feeds that no file names any more.
        self._follow(self._watch.state.configuration)
        elements = self._watch.state.configuration.settings.elements
        await self._feeding.guard(elements.public_only)
        if not self._leading.leads:
            self._feeding.learn(self._watch.knowledge)
            self._adopt_feeds()
            return
        records = await self._feeding.fetch_due(self._instruments.fetches)
        if records:
            self._post(Fed(self._fed(), records))
            await self._effects.keeper.settle()

    def _follow(self, configuration: Configuration) -> None:
        self._feeding.follow(configuration.feeds.values(), self._watch.knowledge)

    def _adopt_feeds(self) -> None:
        fed = self._fed()
        if fed:
            self._post(Fed(fed))

    def _fed(self) -> dict[str, Target]:
        """The targets whose elements are other than those in force."""
        state = self._watch.state
        fed = self._feeding.targets(state.configuration.targets)
        present = {name: each.configured or each for name, each in state.targets.items()}
        return {name: each for name, each in fed.items() if present.get(name) != each}
