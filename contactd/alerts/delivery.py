"""Brings messages to channels: at least once, each channel at its own pace.

What is to be sent follows from the ledger's state, so that nothing is lost with the process: a
message is offered until its outcome stands in the ledger. Each message is a task of its own; a
channel lets only so many of them try at once, a failure waits longer and longer, and a channel that
fails again and again is left alone for a while, so that none delays another.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, Protocol

from contactd.alerts.circuit import Circuit, CircuitTerms, Clock
from contactd.alerts.notification import About, Channel, ChannelBusy, Notification
from contactd.alerts.status import ChannelStatus
from contactd.alerts.tracked import SERVICE
from contactd.core import record as kinds
from contactd.core.alert import Alert
from contactd.core.backoff import Backoff
from contactd.core.errors import DeliveryError
from contactd.core.record import Record
from contactd.mission.timetext import recorded_finite

MOST_IN_HAND = 5_000
MOST_ATTEMPTS = 10_000
LONGEST_BUSY_S = 600.0
MOST_REASON_LENGTH = 500
REMINDER_TRIED_S = 300.0


@dataclass(frozen=True, slots=True)
class Terms:
    """How patiently one channel is tried.

    Attributes:
        at_once: how many attempts may be under way at the same time.
        attempt_s: how long one attempt may take.
        first_wait_s, longest_wait_s: between attempts: doubled each time, from the first up to the
            longest, less a random part up to half.
        keep_trying_s: how long after it was raised an alert is still tried.
    """

    at_once: int = 8
    attempt_s: float = 10.0
    first_wait_s: float = 0.5
    longest_wait_s: float = 60.0
    keep_trying_s: float = 6 * 3600.0
    circuit: CircuitTerms = field(default_factory=CircuitTerms)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One attempt to send, for those who count. ``reason`` is "" when it succeeded."""

    channel: str
    took_s: float
    reason: str = ""
    final: bool = True


class Permit(Protocol):
    """Whether this service may send at all: of several, only the one that leads may."""

    @property
    def fence(self) -> int:
        """The number of its lead, which grows with every change; messages carry it."""
        ...

    async def ask(self) -> bool:
        """Whether it may send, having made sure of it."""
        ...

    def holds(self) -> bool:
        """Whether what was made sure of last still counts, at this very moment."""
        ...


class _NotPermitted(Exception):
    """This service may not send at present: another one leads."""


class _Lane:
    """A channel, and how many may use it at once."""

    def __init__(self, channel: Channel, terms: Terms, clock: Clock, rng: random.Random) -> None:
        self.channel = channel
        self.terms = terms
        self.room = asyncio.Semaphore(terms.at_once)
        self.circuit = Circuit(terms.circuit, clock, rng)


Place = tuple[str, str]


class Delivery:
    """Sends what it is offered, and records the outcome.

    Args:
        record: appends records to the ledger; it must not raise.
        clock: what waiting and the present are taken from.
        rng: where the random part of each wait comes from.
        observe: told of each attempt.
        link: where an alert can be acknowledged by whoever reads a channel, or None.
        permit: asked before each attempt whether this service may send; None if it always may.
    """

    def __init__(
        self,
        record: Callable[[Sequence[Record]], Awaitable[object]],
        clock: Clock,
        rng: random.Random | None = None,
        observe: Callable[[Attempt], None] = lambda _: None,
        link: Callable[[Alert, str], str | None] = lambda _alert, _channel: None,
        permit: Permit | None = None,
    ) -> None:
        self._record = record
        self._clock = clock
        self._rng = rng or random.Random()  # noqa: S311 - spreads waits, guards nothing
        self._observe = observe
        self._link = link
        self.runbook = ""
        self._permit = permit
        self._lanes: dict[str, _Lane] = {}
        self._in_hand: dict[Place, asyncio.Task[None]] = {}
        self._parts: set[Place] = set()
        self._settled: set[Place] = set()
        self._outbox: list[Record] = []
        self._flushing: asyncio.Task[None] | None = None
        self._closing: set[asyncio.Task[None]] = set()
        self._is_closed = False

    def use(self, channels: Iterable[tuple[Channel, Terms]]) -> None:
        """Send through these channels from now on; others are closed once they are idle.

        A channel that is the same object as before keeps its place.
        """
        before = self._lanes
        self._lanes = {}
        for channel, terms in channels:
            old = before.get(channel.name)
            if old is None or old.channel is not channel or old.terms != terms:
                old = _Lane(channel, terms, self._clock, self._rng)
            self._lanes[channel.name] = old
        kept = {id(lane.channel) for lane in self._lanes.values()}
        for lane in before.values():
            if id(lane.channel) not in kept:
                task = asyncio.ensure_future(self._retire(lane))
                self._closing.add(task)
                task.add_done_callback(self._closing.discard)

    def offer(self, notifications: Iterable[Notification]) -> None:
        """Take on all messages whose outcome is not in the ledger yet.

        To be called with the whole list after each change; what is in hand is not taken twice.
        After :meth:`close` nothing is taken on: it is offered again after the next start.
        """
        if self._is_closed:
            return
        wanted: set[Place] = set()
        for notification in notifications:
            places = {(part, notification.channel) for part in notification.parts}
            wanted |= places
            if places & self._parts or places & self._settled:
                continue
            if len(self._in_hand) >= MOST_IN_HAND:
                continue
            self._parts |= places
            task = asyncio.ensure_future(self._bring(notification))
            self._in_hand[notification.key, notification.channel] = task
            task.add_done_callback(partial(self._done, notification))
        # What is settled and no longer offered stands in the ledger.
        self._settled &= wanted

    @property
    def in_hand(self) -> int:
        """How many messages are being sent or wait for their next attempt."""
        return len(self._in_hand)

    def statuses(self) -> tuple[ChannelStatus, ...]:
        """How each channel is doing."""
        waiting: dict[str, int] = {}
        for _, channel in self._in_hand:
            waiting[channel] = waiting.get(channel, 0) + 1
        return tuple(
            ChannelStatus(
                channel=name,
                passage=lane.circuit.passage,
                failing_since=lane.circuit.failing_since,
                reason=lane.circuit.reason,
                waiting=waiting.get(name, 0),
            )
            for name, lane in self._lanes.items()
        )

    async def idle(self) -> None:
        """Wait until nothing is in hand and every outcome is recorded."""
        while self._in_hand or self._flushing is not None:
            waiting = [*self._in_hand.values()]
            if self._flushing is not None:
                waiting.append(self._flushing)
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
            await asyncio.sleep(0)

    def withdraw(self) -> None:
        """Break off whatever is being tried, at once: this service may send no more."""
        for task in self._in_hand.values():
            task.cancel()

    async def close(self) -> None:
        """Stop trying; what is not delivered is offered again after the next start."""
        self._is_closed = True
        tasks = list(self._in_hand.values())
        self.withdraw()
        await asyncio.gather(*tasks, return_exceptions=True)
        while self._flushing is not None:
            await self._flushing
        lanes, self._lanes = self._lanes, {}
        for lane in lanes.values():
            await lane.channel.close()
        await asyncio.gather(*self._closing, return_exceptions=True)

    def _done(self, notification: Notification, task: asyncio.Task[None]) -> None:
        self._in_hand.pop((notification.key, notification.channel), None)
        places = {(part, notification.channel) for part in notification.parts}
        self._parts -= places
        if not task.cancelled() and task.exception() is None:
            self._settled |= places

    async def _retire(self, lane: _Lane) -> None:
        for _ in range(lane.terms.at_once):
            await lane.room.acquire()
        await lane.channel.close()

    async def _bring(self, notification: Notification) -> None:
        """One message, until it is delivered or given up."""
        begun = recorded_finite(self._clock.now())
        if len(notification.parts) > 1:
            # After a restart the same alerts must go together again, under the same key.
            self._note(kinds.ALERT_SENT, notification, {})
            if self._flushing is not None:
                await asyncio.shield(self._flushing)
        attempts, reason = await self._try_until_settled(notification)
        if reason:
            body = {"attempts": attempts, "sent_at": begun, "reason": reason[:MOST_REASON_LENGTH]}
            self._note(kinds.ALERT_FAILED, notification, body)
        else:
            self._note(
                kinds.ALERT_DELIVERED, notification, {"attempts": attempts, "sent_at": begun}
            )

    async def _try_until_settled(self, notification: Notification) -> tuple[int, str]:
        """How many attempts it took, and why it was given up; "" if it was delivered."""
        for attempts in range(1, MOST_ATTEMPTS + 1):
            try:
                await self._try(notification)
            except DeliveryError as error:
                if (
                    not error.worth_retrying
                    or attempts == MOST_ATTEMPTS
                    or self._is_too_old(notification)
                ):
                    return attempts, error.reason
                if attempts == 1 and len(notification.parts) == 1:
                    self._note(kinds.ALERT_SENT, notification, {})
                await self._clock.sleep(self._wait_s(notification.channel, attempts, error))
            else:
                return attempts, ""
        raise AssertionError("the last attempt returns")

    def _is_too_old(self, notification: Notification) -> bool:
        lane = self._lanes.get(notification.channel)
        if lane is None:
            return True
        keep_trying_s = lane.terms.keep_trying_s
        if notification.about is About.REMINDER:
            keep_trying_s = min(keep_trying_s, REMINDER_TRIED_S)
        return self._clock.now() - notification.since > keep_trying_s

    def _wait_s(self, channel: str, failures: int, error: DeliveryError) -> float:
        lane = self._lanes.get(channel)
        if lane is None:
            return 0.0
        backoff = Backoff(lane.terms.first_wait_s, lane.terms.longest_wait_s)
        wait_s = backoff.wait_s(failures, self._rng.uniform)
        if isinstance(error, ChannelBusy):
            wait_s = max(wait_s, min(error.again_after_s, LONGEST_BUSY_S))
        return wait_s

    async def _try(self, notification: Notification) -> None:
        """One attempt.

        Raises:
            DeliveryError: if it failed.
        """
        lane = self._lanes.get(notification.channel)
        if lane is None:
            raise DeliveryError(notification.channel, "there is no such channel any more", False)
        async with lane.room:
            waited = await lane.circuit.pass_through()
            settled = False
            try:
                if waited and self._is_too_old(notification):
                    raise DeliveryError(notification.channel, lane.circuit.reason, False)
                await self._attempt(lane, notification)
                settled = True
                lane.circuit.succeeded()
            except DeliveryError as error:
                if error.worth_retrying:
                    settled = True
                    lane.circuit.failed(error.reason)
                raise
            finally:
                if not settled:
                    lane.circuit.abandoned()

    async def _attempt(self, lane: _Lane, notification: Notification) -> None:
        if self._permit is not None and not await self._permit.ask():
            raise _NotPermitted
        begun = self._clock.now()
        links = {
            alert.identity: url
            for alert in notification.alerts
            if (url := self._link(alert, notification.channel)) is not None
        }
        try:
            fence = 0 if self._permit is None else self._permit.fence
            ready = replace(notification, at=begun, links=links, fence=fence, runbook=self.runbook)
            await self._within(lane.terms.attempt_s, lane.channel, ready)
        except DeliveryError as error:
            took_s = self._clock.now() - begun
            final = not error.worth_retrying
            self._observe(Attempt(notification.channel, took_s, error.reason, final))
            raise
        self._observe(Attempt(notification.channel, self._clock.now() - begun))

    async def _within(self, seconds: float, channel: Channel, notification: Notification) -> None:
        """Send, but not for longer than ``seconds`` of the clock."""
        sending = asyncio.ensure_future(self._send(channel, notification))
        bell = asyncio.ensure_future(self._clock.sleep(seconds))
        try:
            await asyncio.wait((sending, bell), return_when=asyncio.FIRST_COMPLETED)
            if not sending.done():
                raise DeliveryError(channel.name, f"no answer within {seconds:g} s", True)
            sending.result()
        except (DeliveryError, _NotPermitted):
            raise
        except Exception as error:
            # A channel's own bug must not lose the alert either.
            reason = f"{type(error).__name__}: {error}"
            raise DeliveryError(channel.name, reason, True) from error
        finally:
            for task in (sending, bell):
                task.cancel()
            await asyncio.gather(sending, bell, return_exceptions=True)

    async def _send(self, channel: Channel, notification: Notification) -> None:
        # Nothing is awaited between this look and the sending: a process that was stopped in
        # between finds here that its time has expired.
        if self._permit is not None and not self._permit.holds():
            raise _NotPermitted
        await channel.send(notification)

    def _note(self, kind: str, notification: Notification, body: Mapping[str, Any]) -> None:
        """Have an outcome recorded, together with others that come at the same time."""
        now = self._clock.now()
        self._outbox.append(
            Record(
                at=now,
                kind=kind,
                subject=notification.alerts[0].subject,
                author=SERVICE,
                # A message that is tried again after it was given up has another outcome.
                identity=f"{kind}:{notification.channel}:{notification.key}:{recorded_finite(notification.since)}",
                body={
                    "message": notification.key,
                    "channel": notification.channel,
                    "about": notification.about.value,
                    "parts": list(notification.parts),
                    "alerts": [alert.identity for alert in notification.alerts],
                    **body,
                },
            )
        )
        if self._flushing is None:
            self._flushing = asyncio.ensure_future(self._flush())

    async def _flush(self) -> None:
        try:
            while self._outbox:
                await asyncio.sleep(0)
                batch, self._outbox = self._outbox, []
                await self._record(batch)
        finally:
            self._flushing = None
