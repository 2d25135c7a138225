"""The wall clock as far as it can be trusted: where it jumps, the boot clock carries on.

A wall clock that moves otherwise than the boot clock was set by somebody, or is wrong. Which of the
two cannot be known at once; so nothing is decided by the new time until it has stood for a while.
A clock that the kernel calls synchronised, and did not before the jump, was put right: it counts at
once.
"""

from __future__ import annotations

from collections.abc import Callable

from contactd.service.clock import Clock
from contactd.service.kernel_clock import Synchronisation


class SteadyClock:
    """A clock whose ``now`` does not jump with the wall clock.

    Args:
        clock: the machine's.
        tolerance_s: differences up to this are the ordinary slewing of a disciplined clock.
        settle_s: how long a jump must have stood before it counts.
        ask: what the kernel says of the clock.
    """

    def __init__(
        self,
        clock: Clock,
        tolerance_s: float,
        settle_s: float,
        ask: Callable[[], Synchronisation | None] = lambda: None,
    ) -> None:
        self._clock = clock
        self._tolerance_s = tolerance_s
        self._settle_s = settle_s
        self._ask = ask
        self._wall, self._boot = clock.now(), clock.boottime()
        self._off_s: float | None = None
        self._until = 0.0
        self._was_synchronised = self._is_synchronised()

    @property
    def carried_s(self) -> float:
        """How far (s) the wall clock is ahead of the time that is used; 0 where it is that time."""
        self.now()
        return self._off_s or 0.0

    def now(self) -> float:
        """The present: the wall clock's, or the last trusted time and what has passed since."""
        wall, boot = self._clock.now(), self._clock.boottime()
        carried = self._wall + (boot - self._boot)
        off_s = wall - carried
        if abs(off_s) <= self._tolerance_s:
            return self._take(wall, boot)
        if self._off_s is None or abs(off_s - self._off_s) > self._tolerance_s:
            if not self._was_synchronised and self._is_synchronised():
                return self._take(wall, boot)
            self._off_s, self._until = off_s, boot + self._settle_s
        elif boot >= self._until:
            return self._take(wall, boot)
        return carried

    def monotonic(self) -> float:
        """Seconds that never go back and stand still while the machine sleeps."""
        return self._clock.monotonic()

    def boottime(self) -> float:
        """Seconds that never go back and run on while the machine sleeps."""
        return self._clock.boottime()

    async def sleep(self, seconds: float) -> None:
        """Wait by the monotonic clock."""
        await self._clock.sleep(seconds)

    def _take(self, wall: float, boot: float) -> float:
        """Trust the wall clock, and count from it."""
        self._wall, self._boot, self._off_s = wall, boot, None
        return wall

    def _is_synchronised(self) -> bool:
        told = self._ask()
        self._was_synchronised = told is not None and told.synchronised
        return self._was_synchronised
