"""A clock that runs at any speed, for rehearsals."""

from __future__ import annotations

import asyncio


class PacedClock:
    """A clock that runs ``speed`` times as fast as the loop's time, and can jump, pause and lie.

    Attributes:
        speed: service seconds per second of the event loop; 0 while paused.
        pace: the speed at which it goes on after a pause.
    """

    def __init__(self, start: float, speed: float = 1.0) -> None:
        self._start = start
        self._reached_s = 0.0
        self._asleep_s = 0.0
        self._stepped_s = 0.0
        self._since: float | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: set[asyncio.Future[None]] = set()
        self.speed = speed
        self.pace = speed if speed > 0 else 1.0

    def now(self) -> float:
        return self._start + self.boottime() + self._stepped_s

    def monotonic(self) -> float:
        # Asked from other threads as well, which have no loop of their own.
        if self._since is None or self._loop is None:
            return self._reached_s
        passed_s = self._loop.time() - self._since
        return self._reached_s + passed_s * self.speed

    def boottime(self) -> float:
        return self.monotonic() + self._asleep_s

    async def sleep(self, seconds: float) -> None:
        until = self.monotonic() + seconds
        while (left_s := until - self.monotonic()) > 1e-9:
            loop = asyncio.get_running_loop()
            over: asyncio.Future[None] = loop.create_future()
            self._waiting.add(over)
            timer = None
            if self.speed > 0:
                timer = loop.call_later(left_s / self.speed, _end, over)
            try:
                await over
            finally:
                self._waiting.discard(over)
                if timer is not None:
                    timer.cancel()

    def go(self, speed: float) -> None:
        """Run at another speed from now on; 0 pauses. To be called from the event loop."""
        self._reached_s = self.monotonic()
        self._loop = asyncio.get_running_loop()
        self._since = self._loop.time()
        self.speed = speed
        if speed > 0:
            self.pace = speed
        self._wake()

    def jump(self, seconds: float) -> None:
        """Let time pass at once."""
        self._reached_s += seconds
        self._wake()

    def step(self, seconds: float) -> None:
        """Set the wall clock forward (or back)."""
        self._stepped_s += seconds

    def suspend(self, seconds: float) -> None:
        """Let the machine sleep."""
        self._asleep_s += seconds

    def _wake(self) -> None:
        for over in self._waiting:
            _end(over)


def _end(over: asyncio.Future[None]) -> None:
    if not over.done():
        over.set_result(None)
