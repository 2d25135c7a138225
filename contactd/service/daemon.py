"""The service: one queue of events, and four parts that each can be understood alone.

The watch (``watch``) takes the events and alone changes the state. What it orders, the effects
(``effects``) do: ledger, predictions, sending. The reloader (``reloader``) looks at files and
feeds; leadership (``leadership``) says whether this service is the one that records and sends.
This module puts them together, keeps them going, and says how the service is.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace

import structlog

from contactd import __version__
from contactd.alerts.acknowledgement_tokens import Tickets
from contactd.config import Configuration
from contactd.core.outlook import Health, Snapshot
from contactd.core.record import Record
from contactd.service.clock import ClockWatch
from contactd.service.effects import Effects
from contactd.service.events import Event, Lead, Look, Queue, Show, Stop, Tick
from contactd.service.files import Files
from contactd.service.leadership import Leading, Ties
from contactd.service.ledger_upkeep import LedgerUpkeep
from contactd.service.prediction_pool import Predicting
from contactd.service.reloader import Reloader
from contactd.service.scheduler import Scheduler
from contactd.service.state import ServiceState
from contactd.service.steady_clock import SteadyClock
from contactd.service.store import Store
from contactd.service.surroundings import Surroundings
from contactd.service.watch import Observer, Watch
from contactd.service.watching import Watchkeeper

LOOK_AT_FILES_S = 2.0
LOOK_AT_FEEDS_S = 5.0
LOOK_AT_LIFE_S = 1.0
LIVE_WITHIN_S = 30.0
WAIT_FOR_LEDGER_S = 1.0

log = structlog.get_logger("contactd")


class Daemon:
    """The running service.

    Attributes:
        leading: whether it leads.
        has_begun: whether the ledger has been read and the first beat made.

    Args:
        configuration: what it starts with; ``refused`` are the errors of the files beside it.
        files: the configuration's files.
        store: the ledger, open.
        around: clocks, channels and all else that may be simulated.
    """

    def __init__(
        self,
        configuration: Configuration,
        refused: tuple[str, ...],
        files: Files,
        store: Store,
        around: Surroundings,
    ) -> None:
        rules = configuration.settings.clock
        clocks = ClockWatch(
            around.clock,
            rules.tolerance_s,
            rules.settle_s,
            around.synchronisation,
            rules.synchronisation == "required",
        )
        steady = SteadyClock(
            around.clock, rules.tolerance_s, rules.settle_s, around.synchronisation
        )
        scheduler = around.scheduler or Scheduler(around.clock)
        around = replace(around, clock=steady, scheduler=scheduler)
        self.clock = around.clock
        self.store = store
        self.instruments = around.instruments
        self.leading = Leading(around.pair)
        self.effects = Effects(store, around, self.leading, self._post, self.beat)
        state = ServiceState(
            configuration, around.clock.now(), refused, targets=configuration.targets
        )
        self.watch = Watch(
            state, around.clock, clocks, store, self.leading, self.effects, around.instruments,
            Watchkeeper(configuration, files.kept),
        )  # fmt: skip
        self.queue = Queue(self.watch.take)
        self.reloader = Reloader(
            files, self.watch, self.effects, self.leading, around.clock, around.instruments,
            self._post,
        )  # fmt: skip
        self.effects.use(configuration)
        self.scheduler = scheduler
        self.upkeep = LedgerUpkeep(
            store, around.clock, self.scheduler, lambda: self.leading.leads,
            lambda: self.effects.beat_soon(),
        )  # fmt: skip
        self._manager = around.manager
        self._beat_s = around.beat_s
        # Until the first beat it counts as starting, not as hanging.
        self._last_beat_at = around.clock.monotonic()
        self.has_begun = False
        self._beating = asyncio.Lock()
        self._stopping = asyncio.Event()
        self._reload_asked = self._is_reloading = False

    # What others may see.

    def snapshot(self) -> Snapshot:
        """The snapshot of the last beat."""
        return self.watch.snapshot

    @property
    def state(self) -> ServiceState:
        """The state after the last event."""
        return self.watch.state

    @property
    def observers(self) -> list[Observer]:
        """Called after each beat with the state and its snapshot, in the event loop."""
        return self.watch.observers

    @property
    def predicting(self) -> Predicting:
        """Who makes the predictions."""
        return self.effects.predicting

    @property
    def tickets(self) -> Tickets | None:
        """What signs the links by which readers of messages can acknowledge, if links are sent."""
        return self.effects.tickets

    def health(self) -> Health:
        """Whether the service lives and can be relied on, at this moment."""
        silent_s = self.clock.monotonic() - self._last_beat_at
        live = silent_s < LIVE_WITHIN_S
        reasons = []
        if not live:
            reasons.append(f"there has been no beat for {silent_s:.0f} s")
        if self.watch.snapshot.planned_at is None:
            reasons.append("the first plan is not complete")
        if self.state.ledger_trouble:
            reasons.append(self.state.ledger_trouble)
        if not self.state.targets:
            reasons.append("no target is configured: nothing is watched")
        if self.state.ledger_damage:
            reasons.append(self.state.ledger_damage)
        reasons += [each.text for each in self.state.watch_list.unwatched]
        reasons += self.leading.reasons()
        leading = self.leading
        return Health(live, not reasons, tuple(reasons), leading.role, leading.leader)

    def notice(self) -> str:
        """What every screen of a service that follows says; "" where it leads or is alone."""
        return self.leading.notice()

    @property
    def busy(self) -> bool:
        """Whether predictions are being made."""
        return self.effects.busy

    async def idle(self) -> None:
        """Wait for the predictions that are being made."""
        await self.effects.idle()

    async def commit(self, records: Sequence[Record]) -> list[Record]:
        """Write records, all or none, and beat, so that the next snapshot knows them.

        Raises:
            LedgerError: if they cannot be written; then nothing was.
        """
        stored = await self.store.append(records)
        await self.beat()
        return stored

    # Its life.

    async def run(self) -> None:
        """Start, beat until :meth:`stop`, and finish what is under way."""
        await self.begin()
        self.scheduler.every("files", LOOK_AT_FILES_S, self.look_at_files)
        self.scheduler.every("feeds", LOOK_AT_FEEDS_S, self.look_at_feeds)
        self.scheduler.every("life", LOOK_AT_LIFE_S, self.look_after_life)
        self.upkeep.follow(self.state.configuration)
        self.scheduler.start()
        beating = asyncio.create_task(self._beat_on())
        self._manager.tell("READY=1", "STATUS=watching")
        try:
            await self._stopping.wait()
        finally:
            self._manager.tell("STOPPING=1")
            beating.cancel()
            await self.scheduler.stop()
            self.upkeep.close()
            await asyncio.gather(beating, return_exceptions=True)
            await self.end()

    def stop(self) -> None:
        """Ask the service to finish."""
        self._stopping.set()

    @property
    def is_stopping(self) -> bool:
        """Whether the service has been asked to finish."""
        return self._stopping.is_set()

    async def begin(self) -> None:
        """Read the ledger, say who is watching, and beat for the first time."""
        await self._read_ledger()
        self._say_whose_ledger()
        self.watch.watch_what_runs()
        await self.effects.life.follow(self.state.configuration)
        self.reloader.begin()
        if self.leading.pair is None:
            self._post(Lead())
            await self.effects.keeper.exchange()
        else:
            ties = Ties(self.effects, self._post, self.beat, self.stop, self.clock)
            await self.leading.start(ties)
        log.info(
            "watching",
            version=__version__,
            targets=len(self.state.targets),
            stations=len(self.state.configuration.stations),
            records=self.watch.knowledge.number,
        )
        for problem in self.state.refused:
            log.error("configuration refused", problem=problem)
        await self.beat()
        self.has_begun = True

    def _say_whose_ledger(self) -> None:
        """Say when a ledger has been kept for targets of which none is configured here."""
        adopted = self.watch.knowledge.configuration
        known = set() if adopted is None else set(adopted.body.get("targets", ()))
        present = set(self.state.configuration.targets)
        if known and present and not known & present:
            some = ", ".join(sorted(known)[:5])
            log.error("this ledger was kept for other targets", targets=some)

    async def _read_ledger(self) -> None:
        """Read all that the ledger knows. To watch without that would be to say what is not so."""
        said = ""
        while await self.effects.keeper.exchange() or self.store.trouble:
            if self.store.trouble:
                if said != self.store.trouble:
                    said = self.store.trouble
                    log.error("waiting for the ledger", trouble=said)
                await self.clock.sleep(WAIT_FOR_LEDGER_S)

    async def end(self) -> None:
        """Finish what is under way and record the stop."""
        await self.leading.stop_following()
        await self.effects.stop()
        await self.reloader.close()
        self._post(Stop())
        await self.effects.keeper.exchange()
        await self.leading.leave()

    # The beat.

    async def _beat_on(self) -> None:
        """Beat again and again. An error of one beat is told, and the next one comes."""
        while True:
            await self.clock.sleep(self._beat_s)
            try:
                await self.beat()
            except Exception:
                log.exception("a beat failed")

    async def beat(self) -> None:
        """See what is due, have it recorded, and tell it.

        The ledger is waited for, but only so long that nothing is told late for it. Beats come one
        after another: each decides by the moment at which it began.
        """
        async with self._beating:
            self._post(Look())
            if self.watch.may_be_due:
                await self.effects.keeper.settle()
                self._post(Tick())
                if self.store.held:
                    await self.effects.keeper.settle()
                self._post(Show())
        self.instruments.beats.inc()
        self._last_beat_at = self.clock.monotonic()
        self._manager.tell("WATCHDOG=1")

    # What is periodic.

    async def look_at_files(self) -> None:
        """Adopt the files if they have changed."""
        if await self.reloader.look_at_files():
            self.upkeep.follow(self.state.configuration)
            await self.beat()

    async def look_at_feeds(self) -> None:
        """Fetch what is due, and adopt what is new."""
        await self.reloader.look_at_feeds()

    async def look_after_life(self) -> None:
        """Send the sign of life, if it is time and all is well."""
        self.effects.life.look(self.leading.may_send and self.health().ready, self.store)

    async def reload(self) -> None:
        """Adopt the files now, as SIGHUP asks."""
        self._manager.tell("RELOADING=1", f"MONOTONIC_USEC={int(self.clock.monotonic() * 1e6)}")
        await self.reloader.reload()
        self.upkeep.follow(self.state.configuration)
        await self.beat()
        self._manager.tell("READY=1")

    def reload_soon(self) -> None:
        """Reload as soon as the event loop comes to it; for signal handlers.

        However often it is asked meanwhile, one more reload follows the one under way.
        """
        self._reload_asked = True
        if not self._is_reloading:
            self._is_reloading = True
            self.effects.spawn(self._reload_while_asked())

    async def _reload_while_asked(self) -> None:
        try:
            while self._reload_asked:
                self._reload_asked = False
                await self.reload()
        finally:
            self._is_reloading = False

    def _post(self, event: Event) -> None:
        self.queue.post(event)
