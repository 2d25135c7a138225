"""What the watch orders is done here, and what comes of it is posted back to it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from typing import TYPE_CHECKING, Any

import structlog

from contactd.alerts.acknowledgement_tokens import Tickets
from contactd.alerts.delivery import Attempt, Delivery
from contactd.alerts.notification import Notification
from contactd.alerts.status import ChannelStatus
from contactd.config import Configuration
from contactd.core import instants
from contactd.core.alert import Alert
from contactd.core.allocation.result import Allocation
from contactd.core.change import ElementsChange
from contactd.core.contacts.fleet import worth_compiling
from contactd.core.contacts.table import ahead_of
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import Target
from contactd.core.record import Record
from contactd.service.alert_configuration import Channels, tickets_of
from contactd.service.allocation_job import SharingJob
from contactd.service.beat import Span
from contactd.service.clock import Clock
from contactd.service.element_changes import change_between
from contactd.service.events import Event, Found, Predicted, Shared
from contactd.service.heartbeat import SignOfLife
from contactd.service.ledger_keeper import LedgerKeeper
from contactd.service.metrics import Instruments
from contactd.service.prediction_pool import Predicting, Work, failed_prediction
from contactd.service.state import ServiceState
from contactd.service.store import Store
from contactd.service.urgency import deadline_of

if TYPE_CHECKING:
    from contactd.service.leadership import Leading
    from contactd.service.surroundings import Surroundings

BEAT_S = 1.0

log = structlog.get_logger("contactd")


class Effects:
    """The ledger's thread, the pools that predict, the channels, and the sign of life.

    Attributes:
        keeper: keeps ledger and watch together.
        predicting: who makes the predictions.
        delivery: who sends.
        tickets: what signs the links in messages, if links are sent.

    Args:
        post: has events taken by the watch.
        beat: a whole beat, to be awaited.
    """

    def __init__(
        self,
        store: Store,
        around: Surroundings,
        leading: Leading,
        post: Callable[[Event], None],
        beat: Callable[[], Coroutine[Any, Any, None]],
    ) -> None:
        self.keeper = LedgerKeeper(store, post, leading.fenced_out)
        self.predicting = Predicting(around.clock, around.threads)
        self.delivery = Delivery(
            self.record,
            around.clock,
            observe=self._count_attempt,
            link=self._link,
            permit=leading.pair,
        )
        self.life = SignOfLife(around.clock)
        self.tickets: Tickets | None = None
        self._channels = around.channels or Channels()
        self._clock: Clock = around.clock
        self._instruments: Instruments = around.instruments
        self._leading = leading
        self._post = post
        self._beat = beat
        self._tasks: set[asyncio.Task[None]] = set()
        self._alarm: asyncio.Task[None] | None = None

    def follow(self, configuration: Configuration) -> None:
        """Predict, send and give signs of life as a configuration says from now on."""
        self.use(configuration)
        self.spawn(self.life.follow(configuration))

    def use(self, configuration: Configuration) -> None:
        """Predict and send as a configuration says from now on."""
        self.delivery.use(self._channels.of(configuration))
        self.delivery.runbook = configuration.settings.runbook
        self.predicting.use(configuration.settings.planning)
        self.tickets = tickets_of(configuration)

    # The ledger.

    def append(self, records: Sequence[Record]) -> None:
        """Hold records, and have them written.

        A service that follows writes none: whoever leads finds the same.
        """
        if records and self._leading.leads:
            self.keeper.store.hold(records)
            self.keeper.ask()

    async def record(self, records: Sequence[Record]) -> None:
        """Have records of what was done here count, and written, without waiting long for that."""
        self._post(Found(records))
        await self.keeper.settle()

    # Predictions.

    @property
    def busy(self) -> bool:
        """Whether predictions are being made."""
        return bool(self._tasks)

    async def idle(self) -> None:
        """Wait for the predictions that are being made."""
        await asyncio.gather(*self._tasks)

    def predict(self, target: Target, span: Span, now: float, state: ServiceState) -> None:
        """Predict a target over a span, and what it changes that it moves otherwise than before."""
        stations = tuple(state.configuration.stations.values())
        # Each by itself is little; all together decide what pays.
        compiled = worth_compiling(len(state.targets), len(stations), *span)
        work = Work(target, stations, span, now, compiled)
        urgency = deadline_of(target, state.knowledge_of(target), now)
        self.spawn(self._predict(work, state.motions.get(target.name), urgency))

    async def _predict(self, work: Work, before: Target | None, urgency: float) -> None:
        target, stations, span, now, compiled = work
        change: ElementsChange | None = None
        try:
            # What follows from it has part in its turn: else it would wait for all others.
            async with self.predicting.turns.turn(urgency):
                prediction = await self.predicting.predict(work)
                change = await self.predicting.here(
                    change_between, before, prediction, stations, now, compiled
                )
        except Exception as error:
            log.exception("a prediction failed", target=target.name)
            prediction = failed_prediction(target, span, error)
        self._instruments.prediction.observe(prediction.outlook.predicted_in_s)
        _say_predicted(prediction.outlook, now)
        if change is not None:
            _say_changed(change)
        self._post(Predicted(target, span, prediction, change))

    def share(self, job: SharingJob) -> None:
        """Share station time."""
        self.spawn(self._share(job))

    async def _share(self, job: SharingJob) -> None:
        began = self._clock.monotonic()
        made: Allocation | None = None
        problem = ""
        try:
            made = await self.predicting.here(job.make)
        except Exception as error:
            log.exception("station time could not be shared")
            problem = str(error)
        self._post(Shared(job, made, problem, self._clock.monotonic() - began))

    # Sending.

    def offer(self, notifications: Sequence[Notification]) -> None:
        """Send these, and nothing else."""
        self.delivery.offer(notifications)

    def channels(self) -> tuple[ChannelStatus, ...]:
        """How the channels are doing."""
        return self.delivery.statuses()

    def _link(self, alert: Alert, channel: str) -> str | None:
        return None if self.tickets is None else self.tickets.link(alert, channel)

    def _count_attempt(self, attempt: Attempt) -> None:
        if attempt.reason:
            self._instruments.failed.labels(attempt.channel).inc()
            log.warning("alert not delivered", channel=attempt.channel, reason=attempt.reason)
        else:
            self._instruments.delivered.labels(attempt.channel).inc()

    # Beats, and the end.

    def wake_in(self, seconds: float) -> None:
        """Beat at the very moment at which something falls due, if that is before the next beat."""
        if self._alarm is None and 0.0 < seconds < BEAT_S:
            self._alarm = asyncio.create_task(self._ring(seconds))

    def beat_soon(self) -> None:
        """Beat as soon as the loop comes to it."""
        self.spawn(self._beat())

    async def _ring(self, seconds: float) -> None:
        # A little later, so that it is due then whatever the clocks' last digits.
        await self._clock.sleep(seconds + 1e-3)
        self._alarm = None
        await self._beat()

    def spawn(self, work: Coroutine[Any, Any, None]) -> None:
        """Do something beside all else; it ends with the service."""
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def stop(self) -> None:
        """Break off what is being computed, end what is being sent."""
        if self._alarm is not None:
            self._alarm.cancel()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self.predicting.close()
        await self.delivery.close()
        await self.life.close()


def _say_predicted(outlook: TargetOutlook, now: float) -> None:
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


def _say_changed(change: ElementsChange) -> None:
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
