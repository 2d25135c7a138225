"""The daemon: performs what the beat asks for.

What is due is decided by the beat from the clock, at least once a second; the pace only keeps the
beat going.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Coroutine, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any

import structlog

from contactd import __version__
from contactd.alerts.acknowledgement_tokens import Tickets
from contactd.alerts.candidate import Sort
from contactd.alerts.delivery import Attempt, Delivery
from contactd.alerts.fold import AlertState, fold_alerts
from contactd.alerts.grouping import compose
from contactd.alerts.rules import NOTHING_KEPT
from contactd.config import Configuration
from contactd.core import instants
from contactd.core import record as kinds
from contactd.core.alert import Alert
from contactd.core.allocation.records import SUBJECT, allocation_body
from contactd.core.change import ElementsChange, change_record
from contactd.core.contacts.fleet import worth_compiling
from contactd.core.contacts.table import ahead_of
from contactd.core.errors import LedgerError
from contactd.core.outlook import Health, Snapshot, TargetOutlook
from contactd.core.planning import Target
from contactd.core.record import Record
from contactd.records import State, fold
from contactd.service.alert_configuration import ChannelMaker, Channels, telling_of, tickets_of
from contactd.service.allocation_job import SharingJob, adopt_allocation, adopt_failure
from contactd.service.beat import Span, step
from contactd.service.clock import Clock, ClockWatch
from contactd.service.election import Pair
from contactd.service.element_changes import change_between, new_elements, recorded_motion
from contactd.service.feeding import Feeding
from contactd.service.heartbeat import SignOfLife
from contactd.service.kernel_clock import Synchronisation
from contactd.service.leadership import Hooks, Leading
from contactd.service.metrics import Instruments
from contactd.service.notify import ServiceManager
from contactd.service.prediction_pool import Predicting, Work, failed_prediction
from contactd.service.reload import Files, Loaded
from contactd.service.scheduler import Job, Pace
from contactd.service.state import (
    ServiceState,
    adopt_configuration,
    adopt_knowledge,
    adopt_prediction,
    adopt_target,
)
from contactd.service.store import Store

BEAT_S = 1.0
LOOK_AT_FILES_S = 2.0
LOOK_AT_FEEDS_S = 5.0
LOOK_AT_LIFE_S = 1.0
LIVE_WITHIN_S = 30.0
# A longer time than this between two beats, for whatever reason, is time in which nobody looked.
QUIET_S = 4.0
"""So long at the most a beat of a ledger that nobody else writes to may look at nothing."""
GAP_S = 5.0
AUTHOR = "contactd"

log = structlog.get_logger("contactd")

Observer = Callable[[ServiceState, Snapshot], None]


class Daemon:
    """The running service.

    Attributes:
        observers: called after each beat with the state and its snapshot, in the event loop.
        predicting: who makes the predictions.

    Args:
        configuration: what it starts with; ``refused`` are the errors of the files beside it.
        store: the ledger, open.
        reloader: looks at the files.
        pace: keeps the beat and the other jobs going.
        predictors: where predictions are computed; threads of its own if None.
        channels: how channels are made; the real ones if None.
        ask: what the kernel says of its clock; nobody is asked if None.
        pair: who leads, of several services on one ledger; None for one that is alone.
    """

    def __init__(
        self,
        configuration: Configuration,
        refused: tuple[str, ...],
        reloader: Files,
        store: Store,
        clock: Clock,
        instruments: Instruments,
        manager: ServiceManager,
        pace: Pace,
        predictors: Executor | None = None,
        channels: ChannelMaker | None = None,
        ask: Callable[[], Synchronisation | None] | None = None,
        pair: Pair | None = None,
    ) -> None:
        now = clock.now()
        self.clock = clock
        self.store = store
        self.instruments = instruments
        self.observers: list[Observer] = []
        self._manager = manager
        self._reloader = reloader
        self._feeding = Feeding(clock)
        rules = configuration.settings.clock
        self._watch = ClockWatch(
            clock,
            rules.tolerance_s,
            rules.settle_s,
            ask or (lambda: None),
            rules.synchronisation == "required",
        )
        self._pace = pace
        self.predicting = Predicting(clock, predictors)
        self.predicting.use(configuration.settings.planning)
        self._telling = telling_of(configuration)
        self._ledger_fold: tuple[State, AlertState] = (State(), AlertState())
        self._held_fold: tuple[tuple[State, AlertState], int, State, AlertState] | None = None
        self._state = ServiceState(configuration, now, refused, targets=configuration.targets)
        self._snapshot = Snapshot(at=now)
        self._down_since: float | None = None
        self._caught_up = False
        # Until the first beat it counts as starting, not as hanging.
        self._last_beat_at = clock.monotonic()
        self._channels = channels or Channels()
        self._tickets = tickets_of(configuration)
        self._life = SignOfLife(clock)
        self.leading = Leading(pair)
        self._delivery = Delivery(
            self._exchange, clock, observe=self._count_attempt, link=self._link, permit=pair
        )
        self._delivery.use(self._channels.of(configuration))
        self._ledger_lock = asyncio.Lock()
        self._beat_lock = asyncio.Lock()
        self._reload_lock = asyncio.Lock()
        self._stopping = asyncio.Event()
        self._tasks: set[asyncio.Task[None]] = set()
        self._waker: asyncio.Task[None] | None = None
        self._settled: tuple[ServiceState | None, float] = (None, -math.inf)

    # What others may see.

    def snapshot(self) -> Snapshot:
        """The snapshot of the last beat."""
        return self._snapshot

    @property
    def state(self) -> ServiceState:
        """The state after the last beat."""
        return self._state

    def health(self) -> Health:
        """Whether the service lives and can be relied on, at this moment."""
        silent_s = self.clock.monotonic() - self._last_beat_at
        live = silent_s < LIVE_WITHIN_S
        reasons = []
        if not live:
            reasons.append(f"there has been no beat for {silent_s:.0f} s")
        if self._snapshot.planned_at is None:
            reasons.append("the first plan is not complete")
        if self._state.ledger_trouble:
            reasons.append(self._state.ledger_trouble)
        reasons += self.leading.reasons()
        leading = self.leading
        return Health(live, not reasons, tuple(reasons), leading.role, leading.leader)

    def notice(self) -> str:
        """What every screen of a service that follows says; "" where it leads or is alone."""
        pair, leader, role = self.leading.pair, self.leading.leader, self.leading.role
        if pair is None or role == "leads":
            return ""
        if role == "unsure":
            return f"{pair.name} cannot confirm that it leads: it sends no alerts until it can."
        if not leader:
            return f"{pair.name}: nobody leads at present, so that no alerts are sent."
        return f"{pair.name} follows {leader}, which sends the alerts. What you enter here counts."

    @property
    def tickets(self) -> Tickets | None:
        """What signs the links by which readers of messages can acknowledge, if links are sent."""
        return self._tickets

    @property
    def busy(self) -> bool:
        """Whether predictions are being made."""
        return bool(self._tasks)

    async def idle(self) -> None:
        """Wait for the predictions that are being made."""
        await asyncio.gather(*self._tasks)

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
        self._pace.start(self._jobs())
        self._manager.tell("READY=1", "STATUS=watching")
        try:
            await self._stopping.wait()
        finally:
            self._manager.tell("STOPPING=1")
            await self._pace.stop()
            await self.end()

    def stop(self) -> None:
        """Ask the service to finish."""
        self._stopping.set()

    async def begin(self) -> None:
        """Read the ledger, say who is watching, and beat for the first time."""
        await self._read_ledger()
        await self._life.follow(self._state.configuration)
        self._feeding.follow(self._state.configuration.feeds.values(), self._ledger_fold[0])
        self._adopt_feeds()
        if self.leading.pair is None:
            await self._begin_to_lead({})
        else:
            hooks = Hooks(
                self._take_up_lead, self._let_go_of_lead, self._delivery.withdraw, self.stop
            )
            await self.leading.start(hooks)
        log.info(
            "watching",
            version=__version__,
            targets=len(self._state.targets),
            stations=len(self._state.configuration.stations),
            records=self._ledger_fold[0].number,
        )
        for problem in self._state.refused:
            log.error("configuration refused", problem=problem)
        await self.beat()

    async def _begin_to_lead(self, facts: dict[str, Any]) -> None:
        """Say who is watching, and look again at all that may have been missed until now."""
        self._down_since, self._caught_up = self._ledger_fold[1].looked_at, False
        digest = self._state.configuration.digest
        started = {"configuration": digest, **facts}
        records = [self._record(kinds.SERVICE_STARTED, "contactd", started)]
        if self._ledger_fold[0].configuration_digest != digest and not self._state.refused:
            records.append(self._adopted_record())
        new = self._new_elements()
        moved = self._recorded_motions(new)
        kept = {n: each for n, each in self._state.predictions.items() if n not in moved}
        self._state = replace(
            self._state,
            motions={**self._state.motions, **moved},
            predictions=kept,
            shared=replace(self._state.shared, asked=None, done=None),
            kept=NOTHING_KEPT,
            quiet=None,
            looking_since=self.clock.now(),
        )
        await self._exchange([*records, *new])

    async def _take_up_lead(self, fence: int) -> None:
        """Record, raise and send from now on, under a fence."""
        assert self.leading.pair is not None
        async with self._beat_lock:
            async with self._ledger_lock:
                await self.store.lead(fence)
            while await self._exchange():
                pass
            if self.store.trouble:
                raise LedgerError(self.store.trouble, passing=True)
            self.leading.taken = fence
            await self._begin_to_lead({"node": self.leading.pair.name, "fence": fence})
        await self.beat()
        if self.leading.pair.sends_in_s:
            self._spawn(self._send_when_it_may(self.leading.pair))

    async def _send_when_it_may(self, pair: Pair) -> None:
        """Beat at the moment from which the one before sends no more."""
        await self.clock.sleep(pair.sends_in_s)
        await self.beat()

    async def _let_go_of_lead(self) -> None:
        """Only keep up from now on. What is held here, whoever leads finds by itself."""
        self._delivery.withdraw()
        async with self._ledger_lock:
            dropped = self.store.follow()
            self._down_since = None
            self._learn(())
        if dropped:
            log.warning("what was not yet in the ledger is left to whoever leads", records=dropped)

    async def _read_ledger(self) -> None:
        """Read all that the ledger knows. To watch without that would be to say what is not so."""
        said = ""
        while await self._exchange() or self.store.trouble:
            if self.store.trouble:
                self._state = replace(self._state, ledger_trouble=self.store.trouble)
                if said != self.store.trouble:
                    said = self.store.trouble
                    log.error("waiting for the ledger", trouble=said)
                await self.clock.sleep(BEAT_S)

    async def end(self) -> None:
        """Finish what is under way and record the stop."""
        if self._waker is not None:
            self._waker.cancel()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self.predicting.close()
        await self.leading.stop_following()
        await self._feeding.close()
        await self._delivery.close()
        await self._life.close()
        await self._exchange([self._record(kinds.SERVICE_STOPPED, "contactd", {})])
        await self.leading.leave()

    def _jobs(self) -> list[Job]:
        return [
            Job("beat", BEAT_S, self.beat),
            Job("files", LOOK_AT_FILES_S, self.look_at_files),
            Job("feeds", LOOK_AT_FEEDS_S, self.look_at_feeds),
            Job("life", LOOK_AT_LIFE_S, self.look_after_life),
        ]

    # The beat.

    async def beat(self) -> None:
        """One beat: learn, decide, store, tell."""
        async with self._beat_lock:
            try:
                await self._beat()
            except Exception:
                self.instruments.beat_errors.inc()
                log.exception("a beat failed; the next one tries again")
                return
        self.instruments.beats.inc()
        self._last_beat_at = self.clock.monotonic()
        self._manager.tell("WATCHDOG=1")

    async def _beat(self) -> None:
        before = self._snapshot.at
        if self._watch.look():
            self._note_moved_clock()
        self.instruments.say_synchronisation(self._watch.synchronisation)
        now = self.clock.now()
        if now - before > GAP_S:
            # A plan is not overdue for having been slept through.
            self._state = replace(self._state, looking_since=now)
            if self._down_since is None:
                self._down_since = before
        if self._nothing_can_be_due(now):
            return
        await self._exchange()
        trouble = self.store.trouble
        channels = self._delivery.statuses()
        if channels == self._state.channels:
            channels = self._state.channels
        state = replace(
            self._state, clock=self._watch.trust(), ledger_trouble=trouble, channels=channels
        )
        leads = self.leading.leads
        made = step(state, self._telling, now, self._down_since, leads)
        self._state = made.state
        for target, span in made.predict:
            self._spawn(self._predict(target, span, now))
        if made.share is not None:
            self._spawn(self._share(made.share, now))
        records = made.records
        if leads and made.state.planned_at is not None:
            self._down_since = None
            if not self._caught_up:
                # In one go with what it tells: a start that does not get here tells it again.
                self._caught_up = True
                caught_up = self._record(kinds.SERVICE_CAUGHT_UP, "contactd", {})
                records = (*records, caught_up)
        if records:
            await self._exchange(records)
            self._count(records, now)
        self._snapshot = self._state.snapshot(now)
        self._offer(now)
        for observer in self.observers:
            observer(self._state, self._snapshot)
        self._wake_in(made.again_at - now)
        turn = min(self._state.turns.values(), default=math.inf)
        self._settled = self._state, min(made.again_at, turn)

    def _nothing_can_be_due(self, now: float) -> bool:
        """Whether this beat would find what the last one did.

        Only where nobody else writes to the ledger; otherwise each beat reads it.
        """
        state, again_at = self._settled
        return (
            self.store.is_still
            and state is self._state
            and now < min(again_at, self._snapshot.at + QUIET_S)
            and self._down_since is None
            and self._watch.trust() == state.clock
            and self._delivery.statuses() == state.channels
        )

    def _offer(self, now: float) -> None:
        telling = self._telling
        if self.leading.may_send:
            self._delivery.offer(compose(self._state.alerts, now, telling.manners, telling.care))
        elif not self.leading.leads:
            self._delivery.offer(())

    def _wake_in(self, seconds: float) -> None:
        """Beat at the very moment at which something falls due, if that is before the next beat."""
        if self._waker is None and 0.0 < seconds < BEAT_S:
            self._waker = asyncio.create_task(self._wake(seconds))

    async def _wake(self, seconds: float) -> None:
        # A little later, so that it is due then whatever the clocks' last digits.
        await self.clock.sleep(seconds + 1e-3)
        self._waker = None
        await self.beat()

    def _link(self, alert: Alert, channel: str) -> str | None:
        return None if self._tickets is None else self._tickets.link(alert, channel)

    async def look_after_life(self) -> None:
        """Send the sign of life, if it is time and all is well."""
        self._life.look(self.leading.may_send and self.health().ready, self.store)

    def _note_moved_clock(self) -> None:
        watch = self._watch
        if watch.stepped_by_s:
            self.instruments.clock_steps.inc()
            log.warning("the wall clock was stepped", by_s=round(watch.stepped_by_s, 3))
        if watch.suspended_s:
            log.warning("the machine was suspended", for_s=round(watch.suspended_s, 1))

    async def _exchange(self, records: Iterable[Record] = ()) -> int:
        """Write records, and learn all that is new in the ledger; how many records that was.

        A service that follows writes none: whoever leads finds the same.
        """
        async with self._ledger_lock:
            news = await self.store.exchange(tuple(records) if self.leading.leads else ())
            self._learn(news)
        if self.store.is_fenced_out and self.leading.pair is not None:
            self.leading.pair.lost()
        return len(news)

    def _learn(self, news: Sequence[Record]) -> None:
        """Fold what is new in the ledger, and what is held because the ledger fails, into state."""
        if news:
            state, alerts = self._ledger_fold
            self._ledger_fold = fold(state, news), fold_alerts(alerts, news)
            for each in self._ledger_fold[1].unreadable:
                if each not in alerts.unreadable:
                    log.warning("alert record unreadable", record=each.number, reason=each.reason)
        self._state = adopt_knowledge(self._state, *self._with_held())

    def _with_held(self) -> tuple[State, AlertState]:
        """The ledger's folds, and on top of them what is held because it cannot be written."""
        held = self.store.held
        if not held:
            self._held_fold = None
            return self._ledger_fold
        before = self._held_fold
        if before is None or before[0] is not self._ledger_fold or before[1] > len(held):
            before = (self._ledger_fold, 0, *self._ledger_fold)
        base, count, knowledge, alerts = before
        new = held[count:]
        if new:
            knowledge, alerts = fold(knowledge, new), fold_alerts(alerts, new)
        self._held_fold = (base, len(held), knowledge, alerts)
        return knowledge, alerts

    def _count(self, records: Sequence[Record], now: float) -> None:
        for record in records:
            if record.kind == kinds.ALERT_RAISED:
                body = record.body
                self.instruments.raised.labels(body["kind"], body["severity"]).inc()
                if body["sort"] == Sort.EVENT:
                    known_s = self._state.looking_since or -math.inf
                    late_s = now - max(instants.from_text(body["due"]), known_s)
                    self.instruments.lateness.observe(max(late_s, 0.0))
                if body["late"]:
                    self.instruments.late.inc()
            elif record.kind == kinds.ALERT_MISSED:
                self.instruments.missed.inc()

    def _count_attempt(self, attempt: Attempt) -> None:
        if attempt.reason:
            self.instruments.failed.labels(attempt.channel).inc()
            log.warning("alert not delivered", channel=attempt.channel, reason=attempt.reason)
        else:
            self.instruments.delivered.labels(attempt.channel).inc()

    # Predictions.

    async def _predict(self, target: Target, span: Span, now: float) -> None:
        stations = tuple(self._state.configuration.stations.values())
        before = self._state.motions.get(target.name)
        # Each by itself is little; all together decide what pays.
        compiled = worth_compiling(len(self._state.targets), len(stations), *span)

        work = Work(target, stations, span, now, compiled)
        try:
            prediction = await self.predicting.predict(work)
            change = await self.predicting.here(
                change_between, before, prediction, stations, now, compiled
            )
        except Exception as error:
            log.exception("a prediction failed", target=target.name)
            prediction, change = failed_prediction(target, span, error), None
        self.instruments.prediction.observe(prediction.outlook.predicted_in_s)
        record = None if change is None else change_record(change, AUTHOR)
        self._state = adopt_prediction(self._state, target, span, prediction, record)
        self._say_predicted(prediction.outlook, now)
        if change is not None:
            self._say_changed(change)
        if not self._state.asked:
            await self.beat()

    async def _share(self, job: SharingJob, now: float) -> None:
        """Share station time, and record what is granted otherwise than before."""
        began = self.clock.monotonic()
        try:
            made = await self.predicting.here(job.make, self.clock.monotonic)
        except Exception as error:
            log.exception("station time could not be shared")
            self._state = adopt_failure(self._state, job, str(error), self.clock.now())
        else:
            body = allocation_body(made, self._state.knowledge.station_time)
            if body is not None:
                kind = kinds.STATION_TIME_ALLOCATED
                await self._exchange([Record(now, kind, SUBJECT, AUTHOR, body)])
            self._state = adopt_allocation(self._state, job, made)
            log.info(
                "station time shared",
                grants=sum(grant.end > now for grant in made.grants),
                short=len(made.shortfalls),
                changed=body is not None,
                proved_best=made.is_best,
                took_s=round(self.clock.monotonic() - began, 3),
            )
        await self.beat()

    def _say_predicted(self, outlook: TargetOutlook, now: float) -> None:
        ahead = ahead_of(outlook.contacts, now)
        following = next((contact for contact in ahead if contact.aos > now), None)
        log.info(
            "predicted",
            target=outlook.target,
            contacts=len(ahead),
            until=instants.to_text(outlook.span[1], 0),
            next_aos=instants.to_text(following.aos, 0) if following else "none",
            station=following.station if following else "none",
            took_s=round(outlook.predicted_in_s, 3),
            **({"problem": outlook.problem} if outlook.problem else {}),
        )

    def _say_changed(self, change: ElementsChange) -> None:
        log.info(
            "predictions rest on other elements",
            target=change.target,
            source=change.after.source,
            epoch=instants.to_text(change.after.epoch, 0),
            aos_moved_s=round(change.furthest.seconds, 1) if change.furthest else "unknown",
            contacts=change.compared,
            vanished=change.vanished,
            appeared=change.appeared,
        )

    # Configuration.

    async def look_at_files(self) -> None:
        """Adopt the files if they have changed."""
        await self._reload(lambda: self._reloader.changed(self.clock.now()))

    async def reload(self) -> None:
        """Adopt the files now, as SIGHUP asks."""
        self._manager.tell("RELOADING=1", f"MONOTONIC_USEC={int(self.clock.monotonic() * 1e6)}")
        await self._reload(lambda: self._reloader.load(self.clock.now()))
        self._manager.tell("READY=1")

    def reload_soon(self) -> None:
        """Reload as soon as the event loop comes to it; for signal handlers."""
        self._spawn(self.reload())

    async def _reload(self, load: Callable[[], Loaded | None]) -> None:
        async with self._reload_lock:
            loaded = await self.predicting.here(load)
            if loaded is None:
                return
            async with self._beat_lock:
                await self._adopt(loaded)
        await self.beat()

    async def _adopt(self, loaded: Loaded) -> None:
        configuration = loaded.configuration
        if configuration is None:
            self.instruments.reloads.labels("refused").inc()
            for problem in loaded.problems:
                log.error("configuration refused", problem=problem)
            self._state = replace(self._state, refused=loaded.problems)
            body = {"problems": list(loaded.problems)}
            refusal = self._record(kinds.CONFIGURATION_REFUSED, "contactd", body)
            await self._exchange([refusal])
            return
        self.instruments.reloads.labels("adopted").inc()
        present = self._state.configuration
        if (configuration.digest, configuration.span) == (present.digest, present.span):
            log.info("configuration read again, and unchanged")
            self._state = replace(self._state, refused=())
            return
        self._delivery.use(self._channels.of(configuration))
        self.predicting.use(configuration.settings.planning)
        self._telling = telling_of(configuration)
        self._tickets = tickets_of(configuration)
        await self._life.follow(configuration)
        self._feeding.follow(configuration.feeds.values(), self._ledger_fold[0])
        targets = self._feeding.targets(configuration.targets)
        now = self.clock.now()
        self._state = adopt_configuration(self._state, configuration, targets, now)
        log.info(
            "configuration adopted",
            targets=len(configuration.targets),
            stations=len(configuration.stations),
            digest=configuration.digest[:12],
        )
        await self._exchange([self._adopted_record(), *self._new_elements()])

    def _new_elements(self) -> list[Record]:
        """Records of the elements in files that are not those which the ledger knows."""
        known, now = self._ledger_fold[0].elements, self.clock.now()
        feeds = self._state.configuration.feeds
        targets = self._state.configuration.targets
        return new_elements(now, [each for n, each in targets.items() if n not in feeds], known)

    def _recorded_motions(self, new: Iterable[Record]) -> dict[str, Target]:
        """What predictions rested on before the service stopped, where that has changed since."""
        known, now = self._ledger_fold[0].elements, self.clock.now()
        found = {}
        for name in {record.subject for record in new} & known.keys():
            motion = recorded_motion(self._state.targets[name], known[name], now)
            if motion is not None:
                found[name] = motion
        return found

    def _adopted_record(self) -> Record:
        configuration = self._state.configuration
        body = {
            "digest": configuration.digest,
            "targets": sorted(configuration.targets),
            "stations": sorted(configuration.stations),
        }
        return self._record(kinds.CONFIGURATION_ADOPTED, "contactd", body)

    # Elements by URL.

    async def look_at_feeds(self) -> None:
        """Fetch what is due, and adopt what is new."""
        await self._feeding.guard(self._state.configuration.settings.elements.public_only)
        if not self.leading.leads:
            self._feeding.learn(self._ledger_fold[0])
            self._adopt_feeds()
            return
        records = await self._feeding.fetch_due(self.instruments.fetches)
        if records:
            await self._exchange(records)
            self._adopt_feeds()

    def _adopt_feeds(self) -> None:
        fed = self._feeding.targets(self._state.configuration.targets)
        for name, target in fed.items():
            if self._state.targets.get(name) != target:
                self._state = adopt_target(self._state, target)

    # Small things.

    def _record(self, kind: str, subject: str, body: dict[str, Any]) -> Record:
        return Record(self.clock.now(), kind, subject, AUTHOR, body)

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
