"""Clocks: the only place that asks the machine what time it is.

A clock has ``now``, ``monotonic`` and ``sleep``. The real one reads the machine's; the simulated
one is moved by whoever holds it, and can be stepped, suspended and sped up, so that the very same
service runs under it.
"""

from __future__ import annotations

import heapq
import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from contactd.core import instants
from contactd.service.kernel_clock import Synchronisation

# The rest is imported where it is used: commands that only ask for the time start faster.
if TYPE_CHECKING:
    import asyncio

    from contactd.core.outlook import ClockTrust


class Clock(Protocol):
    """What the service needs of a clock."""

    def now(self) -> float:
        """The wall clock's idea of the present, as an instant (s)."""
        ...

    def monotonic(self) -> float:
        """Seconds that never go back and stand still while the machine sleeps."""
        ...

    def boottime(self) -> float:
        """Seconds that never go back and run on while the machine sleeps."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait by the monotonic clock."""
        ...


class WallClock:
    """The machine's own clocks."""

    def now(self) -> float:
        return instants.from_unix(time.time())

    def monotonic(self) -> float:
        return time.monotonic()

    def boottime(self) -> float:
        return time.clock_gettime(time.CLOCK_BOOTTIME)

    async def sleep(self, seconds: float) -> None:
        import asyncio

        await asyncio.sleep(seconds)


class SimulatedClock:
    """A clock that moves only when told to.

    ``advance`` lets time pass and wakes sleepers in order; ``step`` moves the wall clock alone, as
    somebody setting it would; ``suspend`` lets the wall and boot clocks run on while the monotonic
    one stands still; ``drift_ppm`` makes the wall clock gain on the monotonic one.
    """

    def __init__(self, start: float, drift_ppm: float = 0.0) -> None:
        self._wall = start
        self._monotonic = 0.0
        self._asleep = 0.0
        self._drift = drift_ppm * 1e-6
        self._order = itertools.count()
        self._sleepers: list[tuple[float, int, asyncio.Future[None]]] = []

    def now(self) -> float:
        return self._wall

    def monotonic(self) -> float:
        return self._monotonic

    def boottime(self) -> float:
        return self._monotonic + self._asleep

    async def sleep(self, seconds: float) -> None:
        import asyncio

        wake: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        entry = (self._monotonic + max(seconds, 0.0), next(self._order), wake)
        heapq.heappush(self._sleepers, entry)
        await wake

    def step(self, seconds: float) -> None:
        """Set the wall clock forward (or back) by ``seconds``."""
        self._wall += seconds

    def suspend(self, seconds: float) -> None:
        """Let the machine sleep for ``seconds``."""
        self._wall += seconds
        self._asleep += seconds

    def pass_time(self, seconds: float) -> None:
        """Let ``seconds`` go by without waking anybody (for code that does not sleep)."""
        self._monotonic += seconds
        self._wall += seconds * (1.0 + self._drift)

    async def advance(self, seconds: float) -> None:
        """Let ``seconds`` go by, waking each sleeper at its moment."""
        until = self._monotonic + seconds
        await self._let_others_go_on()
        while self._sleepers and self._sleepers[0][0] <= until:
            moment, _, wake = heapq.heappop(self._sleepers)
            self.pass_time(max(moment - self._monotonic, 0.0))
            if not wake.done():
                wake.set_result(None)
            await self._let_others_go_on()
        self.pass_time(max(until - self._monotonic, 0.0))

    async def _let_others_go_on(self) -> None:
        """Let whoever was woken, or has only just begun, come as far as its next wait."""
        import asyncio

        for _ in range(10):
            await asyncio.sleep(0)


@dataclass(slots=True)
class ClockWatch:
    """Notices when the wall clock does not go as the machine's other clocks do.

    Call :meth:`look` about once a second. A wall clock that moved otherwise than the boot clock
    was stepped: it is not trusted until ``settle_s`` have passed without another step. A boot
    clock that ran ahead of the monotonic one tells of a suspend, which is no reason for distrust.

    A clock that the kernel no longer calls synchronised is not trusted either; where that is
    required, neither is one that never was.

    Attributes:
        ask: what the kernel says of the clock; None where it cannot be asked.
        requires_synchronisation: whether a clock that never was synchronised is distrusted.
        tolerance_s: differences up to this are the ordinary slewing of a disciplined clock.
        settle_s: how long a step is held against the clock.
    """

    clock: Clock
    tolerance_s: float = 0.5
    settle_s: float = 600.0
    ask: Callable[[], Synchronisation | None] = lambda: None
    requires_synchronisation: bool = False
    synchronisation: Synchronisation | None = None
    stepped_by_s: float = 0.0
    suspended_s: float = 0.0
    steps_seen: int = 0
    _last: tuple[float, float, float] | None = field(default=None)
    _distrusted_until: float = field(default=float("-inf"))
    _why: str = ""
    _was_synchronised: bool = False

    def look(self) -> bool:
        """Compare the clocks; True when the wall clock was stepped or the machine slept."""
        wall, boot, mono = self.clock.now(), self.clock.boottime(), self.clock.monotonic()
        self.synchronisation = self.ask()
        if self.synchronisation is not None and self.synchronisation.synchronised:
            self._was_synchronised = True
        last, self._last = self._last, (wall, boot, mono)
        self.stepped_by_s = self.suspended_s = 0.0
        if last is None:
            return False
        step = (wall - last[0]) - (boot - last[1])
        asleep = (boot - last[1]) - (mono - last[2])
        if asleep > self.tolerance_s:
            self.suspended_s = asleep
        if abs(step) > self.tolerance_s:
            self.stepped_by_s = step
            self.steps_seen += 1
            self._distrusted_until = boot + self.settle_s
            way = "forward" if step > 0 else "back"
            self._why = f"the clock was set {way} by {abs(step):.1f} s"
        return bool(self.stepped_by_s or self.suspended_s)

    def trust(self) -> ClockTrust:
        """What to make of the wall clock at present."""
        from contactd.core.outlook import ClockTrust

        if self.clock.boottime() < self._distrusted_until:
            return ClockTrust(trusted=False, why=self._why)
        told = self.synchronisation
        if told is not None and not told.synchronised:
            if self._was_synchronised:
                return ClockTrust(trusted=False, why="it is no longer synchronised (NTP or PTP)")
            if self.requires_synchronisation:
                return ClockTrust(trusted=False, why="it is not synchronised (NTP or PTP)")
        return ClockTrust()
