"""A circuit for each channel: after many failures in a row it is left alone for a while.

Closed, everything passes. Open, nothing does. When the pause is over one message is tried: if it
goes through the circuit closes and all others follow; if not, the next pause is longer.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass
from typing import Any, Protocol

from contactd.alerts.status import Passage
from contactd.core.backoff import Backoff


class Clock(Protocol):
    """What waiting and the present are taken from."""

    def now(self) -> float:
        """The present, as an instant (s)."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


@dataclass(frozen=True, slots=True)
class CircuitTerms:
    """When a circuit opens, and for how long (s): doubled each time, up to the longest."""

    open_after: int = 5
    first_pause_s: float = 5.0
    longest_pause_s: float = 60.0


class Circuit:
    """One channel's circuit.

    Attributes:
        failing_since: instant (s) of the first of the failures in a row, or None.
        reason: why the last attempt failed, or "".
    """

    def __init__(self, terms: CircuitTerms, clock: Clock, rng: random.Random) -> None:
        self._terms = terms
        self._clock = clock
        self._rng = rng
        self._failures = 0
        self._openings = 0
        self._changed = asyncio.Event()
        self._open_until = 0.0
        self.passage = Passage.CLOSED
        self.failing_since: float | None = None
        self.reason = ""

    async def pass_through(self) -> bool:
        """Wait until an attempt may be made; whether that took any waiting.

        Each passage must be followed by its outcome.
        """
        waited = False
        while self.passage is not Passage.CLOSED:
            left_s = self._open_until - self._clock.now()
            if self.passage is Passage.OPEN and left_s <= 0:
                self.passage = Passage.TRYING
                return waited
            waited = True
            await self._wait(left_s if self.passage is Passage.OPEN else None)
        return waited

    async def _wait(self, seconds: float | None) -> None:
        """Until something changes, or so many seconds."""
        changed = asyncio.ensure_future(self._changed.wait())
        waiting: list[asyncio.Future[Any]] = [changed]
        if seconds is not None:
            waiting.append(asyncio.ensure_future(self._clock.sleep(seconds)))
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for each in waiting:
                each.cancel()
            await asyncio.gather(*waiting, return_exceptions=True)

    def succeeded(self) -> None:
        """An attempt went through."""
        self._failures = self._openings = 0
        self.failing_since = None
        self.reason = ""
        self._turn(Passage.CLOSED)

    def failed(self, reason: str) -> None:
        """An attempt failed for a reason that lies with the channel."""
        self._failures += 1
        self.reason = reason
        if self.failing_since is None:
            self.failing_since = self._clock.now()
        if self.passage is Passage.TRYING or self._failures >= self._terms.open_after:
            if self.passage is not Passage.OPEN:
                self._openings += 1
                backoff = Backoff(self._terms.first_pause_s, self._terms.longest_pause_s)
                pause_s = backoff.wait_s(self._openings, self._rng.uniform)
                self._open_until = self._clock.now() + pause_s
            self._turn(Passage.OPEN)

    def abandoned(self) -> None:
        """An attempt ended without telling anything of the channel."""
        if self.passage is Passage.TRYING:
            self._turn(Passage.OPEN)

    def _turn(self, passage: Passage) -> None:
        self.passage = passage
        self._changed.set()
        self._changed = asyncio.Event()
