"""This service's part in a pair: whether it leads, how surely, and since when.

A thread of its own renews the lease, so that a long piece of work in the event loop does not cost
the lead; but only as long as the event loop still answers now and then, so that a service that
hangs does. What the thread last found is one immutable standing. Whether the lead is sure at this
moment is decided by this machine's clock alone: so long after the last renewal *began*, less a
margin, nobody else can have it.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import structlog

from contactd.core.errors import LedgerError

if TYPE_CHECKING:
    from contactd.records.lease import Look
    from contactd.service.clock import Clock

RENEWALS_PER_LEASE = 6
LOOK_AT_LEAST_EVERY_S = 1.0
SHORTEST_WAIT_S = 0.1
SURE_SHARE = 0.9
"""The part of a lease for which the one that holds it counts on it: clocks run unevenly."""
HANG_S = 10.0
"""An event loop that has not answered for so long hangs: its lease is not renewed."""
PAUSE_AFTER_FAILURE_S = 5.0
"""So long a service that could not take up the lead leaves it to others."""

log = structlog.get_logger("contactd.pair")


@dataclass(frozen=True, slots=True)
class Standing:
    """How things stand, as far as is known. Instants are of the boot clock (s).

    Attributes:
        fence: in force; 0 if nobody ever led.
        leader: name of the one that leads or led last, or "".
        leads: whether this service does, by the last look.
        sure_until: until when that is sure.
        sends_from: before that the one before may still be sending.
        looked_at: when the last look that succeeded began.
        lapsed: whether nobody holds the lease.
        members: how many services were seen lately, this one among them.
        trouble: why the last look failed, or "".
        alone: it led for sure, with no other service in sight, when the looks began to fail.
        is_newer: whether the ledger's form is newer than this version of the program.
        form: the ledger's form.
    """

    fence: int = 0
    leader: str = ""
    leads: bool = False
    sure_until: float = -1.0
    sends_from: float = 0.0
    looked_at: float = -1.0
    lapsed: bool = True
    members: int = 0
    trouble: str = ""
    alone: bool = False
    is_newer: bool = False
    form: str = ""


class LeaseLike(Protocol):
    """What is needed of a lease: see :class:`contactd.records.lease.Lease`."""

    name: str
    duration_s: float

    def look(self, candidate: bool = True, renew: bool = True) -> Look:
        """Renew, take, and say how things stand."""
        ...

    def give_back(self) -> None:
        """Let it end now."""
        ...

    def leave(self) -> None:
        """Give it back and let go."""
        ...


class Pair:
    """Keeps this service's place among several.

    Attributes:
        name: of this service, for people.
        changed: set whenever what the daemon goes by has changed.
    """

    def __init__(self, lease: LeaseLike, clock: Clock) -> None:
        self.name = lease.name
        self.changed = asyncio.Event()
        self._lease = lease
        self._clock = clock
        self._standing = self._heard = Standing()
        self._unsure: Callable[[], None] = lambda: None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._bell: asyncio.TimerHandle | None = None
        self._waiting: list[asyncio.Future[None]] = []
        self._answered_at = clock.boottime()
        self._not_before = 0.0
        self._asked = threading.Event()
        self._lock = threading.Lock()
        self._give_back = self._stopping = False
        self._runs_out_in_s = LOOK_AT_LEAST_EVERY_S
        self._thread = threading.Thread(target=self._keep, name="lease", daemon=True)

    @property
    def standing(self) -> Standing:
        """What the last look found."""
        return self._standing

    @property
    def fence(self) -> int:
        """The number of the lead that is in force."""
        return self._standing.fence

    @property
    def age_s(self) -> float | None:
        """How long ago (s) the last look that succeeded began; None before the first."""
        looked_at = self._standing.looked_at
        return None if looked_at < 0.0 else self._clock.boottime() - looked_at

    async def start(self, unsure: Callable[[], None]) -> None:
        """Begin to look, and wait for the first look, whatever it finds.

        Args:
            unsure: called in the event loop when the lead is no longer sure.
        """
        self._unsure = unsure
        self._loop = asyncio.get_running_loop()
        self._answered_at = self._clock.boottime()
        self._thread.start()
        await self._next_look()

    async def stop(self) -> None:
        """Give the lead back and leave."""
        self._stopping = True
        self._asked.set()
        if self._loop is not None:
            await asyncio.get_running_loop().run_in_executor(None, self._thread.join)
        if self._bell is not None:
            self._bell.cancel()

    def decline(self) -> None:
        """Give the lead back for a while: this service could not take it up."""
        self._not_before = self._clock.boottime() + PAUSE_AFTER_FAILURE_S
        self._give_back = True
        self._standing = replace(self._standing, leads=False)
        self._asked.set()

    def lost(self) -> None:
        """Somebody else has been found to lead."""
        self._standing = replace(self._standing, leads=False)
        self.changed.set()
        self._asked.set()

    @property
    def sends_in_s(self) -> float:
        """How long (s) the one before may still be sending."""
        return max(self._standing.sends_from - self._clock.boottime(), 0.0)

    @property
    def is_alone(self) -> bool:
        """Whether it led for sure, with no other in sight, when the ledger fell silent.

        Then there is none that is known to take over, and to be silent too would help nobody. One
        that was stopped, or asleep, until its lease had run out cannot know that.
        """
        return self._standing.leads and self._standing.alone

    @property
    def is_sure(self) -> bool:
        """Whether this service leads for sure at this moment."""
        sure_until = self._standing.sure_until
        return self.is_alone or (self._standing.leads and self._clock.boottime() < sure_until)

    # As the delivery's permit.

    def holds(self) -> bool:
        """Whether the lead is sure, and the one before is done, at this very moment."""
        return self.is_sure and self.sends_in_s <= 0.0

    async def ask(self) -> bool:
        """Whether this service may send, having had the lease renewed."""
        if not self.holds():
            return False
        await self._next_look()
        return self.holds() and (self.is_alone or not self._standing.trouble)

    async def _next_look(self) -> None:
        """Wait for a look that begins from now on."""
        heard: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        with self._lock:
            self._waiting.append(heard)
            self._asked.set()
        await heard

    # In the event loop.

    def _hear(self, found: Standing, heard: list[asyncio.Future[None]]) -> None:
        self._answered_at = self._clock.boottime()
        before, self._heard = self._heard, found
        for future in heard:
            if not future.done():
                future.set_result(None)
        if self._bell is not None:
            self._bell.cancel()
            self._bell = None
        if found.leads:
            left_s = found.sure_until - self._clock.boottime()
            assert self._loop is not None
            self._bell = self._loop.call_later(max(left_s, 0.0), self._ring)
        elif before.leads:
            self._unsure()
        goes_by = ("fence", "leader", "leads", "is_newer", "trouble", "lapsed")
        if any(getattr(before, name) != getattr(found, name) for name in goes_by):
            self.changed.set()

    def _ring(self) -> None:
        if not self.is_sure:
            self._unsure()
            self.changed.set()

    # In the thread.

    def _keep(self) -> None:
        loop = self._loop
        assert loop is not None
        every_s = min(self._lease.duration_s / RENEWALS_PER_LEASE, LOOK_AT_LEAST_EVERY_S)
        while not self._stopping:
            with self._lock:
                self._asked.clear()
                heard, self._waiting = self._waiting, []
            # At once, also for an event loop that is busy and hears of it later.
            self._standing = found = self._look()
            try:
                loop.call_soon_threadsafe(self._hear, found, heard)
            except RuntimeError:
                break  # the event loop is gone, and the service with it
            # The moment at which a lease runs out is not waited past.
            self._asked.wait(min(every_s, max(self._runs_out_in_s, SHORTEST_WAIT_S)))
        self._lease.leave()

    def _look(self) -> Standing:
        began = self._clock.boottime()
        answers = began - self._answered_at < HANG_S
        try:
            if self._give_back:
                self._give_back = False
                self._lease.give_back()
            look = self._lease.look(candidate=answers and began >= self._not_before, renew=answers)
        except LedgerError as error:
            return self._failed(began, str(error))
        except Exception as error:
            # The thread must go on whatever happens; the lease runs out meanwhile.
            log.exception("a look at the lease failed")
            return self._failed(began, f"{type(error).__name__}: {error}")
        self._runs_out_in_s = LOOK_AT_LEAST_EVERY_S if look.mine else look.left_s
        renewed = look.mine and answers
        sure_until = began + SURE_SHARE * self._lease.duration_s
        return Standing(
            fence=look.fence,
            leader=look.holder,
            leads=look.mine,
            sure_until=sure_until if renewed else self._standing.sure_until,
            sends_from=self._clock.boottime() + max(look.sends_in_s, 0.0) if look.mine else 0.0,
            looked_at=began,
            lapsed=look.left_s <= 0.0,
            members=look.members,
            is_newer=look.is_newer,
            form=look.form,
        )

    def _failed(self, began: float, trouble: str) -> Standing:
        """How things stand after a look that failed; the first one decides whether it is alone."""
        before = self._standing
        alone = before.alone
        if not before.trouble:
            alone = before.leads and before.members <= 1 and began < before.sure_until
        return replace(before, trouble=trouble, alone=alone)
