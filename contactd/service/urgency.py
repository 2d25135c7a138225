"""Which target cannot wait: the one whose next countdown expires first."""

from __future__ import annotations

import asyncio
import heapq
import itertools
import math
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager

from contactd.core.sequences.expiry import timeline
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.target import Target


def deadline_of(target: Target, knowledge: Mapping[str, SequenceKnowledge], now: float) -> float:
    """The earliest moment (instant, s) at which a countdown of a target may expire from now on.

    Args:
        knowledge: what the ledger knows, by sequence.

    Returns:
        +infinity where no countdown is known to run.
    """
    expiries = (
        expiry
        for sequence in target.sequences
        for expiry in timeline(
            sequence, knowledge.get(sequence.name, SequenceKnowledge())
        ).expiries.values()
    )
    ahead = (each.earliest for each in expiries if each is not None and each.latest > now)
    return min(ahead, default=math.inf)


class Turns:
    """So many may work at a time; of those who wait, the most urgent is next.

    Attributes:
        free: how many more may begin at once.
    """

    def __init__(self, count: int) -> None:
        self.free = count
        self._waiting: list[tuple[float, int, asyncio.Future[None]]] = []
        self._order = itertools.count()

    @asynccontextmanager
    async def turn(self, urgency: float) -> AsyncIterator[None]:
        """Wait for a turn, and have it in here.

        Args:
            urgency: the smaller, the sooner; among equals who came first.
        """
        await self._acquire(urgency)
        try:
            yield
        finally:
            self._release()

    async def _acquire(self, urgency: float) -> None:
        if self.free > 0:
            self.free -= 1
            return
        called: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        heapq.heappush(self._waiting, (urgency, next(self._order), called))
        try:
            await called
        except asyncio.CancelledError:
            if called.done() and not called.cancelled():
                self._release()
            raise

    def _release(self) -> None:
        while self._waiting:
            _, _, called = heapq.heappop(self._waiting)
            if not called.done():
                called.set_result(None)
                return
        self.free += 1
