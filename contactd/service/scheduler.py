"""What keeps the daemon's jobs going: the machine's time, or a clock that somebody moves."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

from contactd.service.clock import Clock, ClockWatch

PULSE_S = 0.5
FINISH_S = 3.0
"""What is under way when the pace stops may go on for so long; then it is broken off."""


@dataclass(frozen=True, slots=True)
class Job:
    """Something to be done again and again, every ``every_s`` seconds; never twice at once."""

    name: str
    every_s: float
    work: Callable[[], Coroutine[Any, Any, None]]


class Pace(Protocol):
    """Keeps jobs going."""

    def start(self, jobs: Sequence[Job]) -> None:
        """Begin to do the jobs."""
        ...

    async def stop(self) -> None:
        """Begin none of them again."""
        ...


class MachinePace:
    """By APScheduler, from memory only.

    What is due is decided by the jobs from the wall clock, never by a scheduled date, so that a
    step of the clock or a suspend can neither lose nor delay an alert. APScheduler counts its
    waits by the wall clock: a pulse on the monotonic clock looks at it twice a second and sets all
    jobs going again after a step, or a clock set back would silence them for as long.
    """

    def __init__(self, clock: Clock) -> None:
        from apscheduler.schedulers.asyncio import AsyncIOScheduler

        self._clock = clock
        self._scheduler = AsyncIOScheduler(timezone=UTC)
        self._pulse: asyncio.Task[None] | None = None
        self._under_way: set[asyncio.Task[None]] = set()

    def start(self, jobs: Sequence[Job]) -> None:
        for job in jobs:
            self._scheduler.add_job(
                self._sheltered(job.work),
                "interval",
                seconds=job.every_s,
                id=job.name,
                coalesce=True,
                max_instances=1,
                misfire_grace_time=None,
            )
        self._scheduler.start()
        self._pulse = asyncio.create_task(self._keep_going())

    async def stop(self) -> None:
        self._scheduler.shutdown(wait=False)
        if self._pulse is not None:
            self._pulse.cancel()
        if self._under_way:
            await asyncio.wait(self._under_way, timeout=FINISH_S)
        for task in self._under_way:
            task.cancel()

    def _sheltered(
        self, work: Callable[[], Coroutine[Any, Any, None]]
    ) -> Callable[[], Coroutine[Any, Any, None]]:
        """The work, out of the scheduler's reach: it would break off what it has begun."""

        async def begin() -> None:
            task = asyncio.create_task(work())
            self._under_way.add(task)
            task.add_done_callback(self._under_way.discard)
            try:
                await asyncio.shield(task)
            except asyncio.CancelledError:
                if self._scheduler.running:
                    raise

        return begin

    async def _keep_going(self) -> None:
        watch = ClockWatch(self._clock)
        watch.look()
        while True:
            await self._clock.sleep(PULSE_S)
            if watch.look():
                for job in self._scheduler.get_jobs():
                    job.modify(next_run_time=datetime.now(UTC))


class ClockPace:
    """By the service's own clock, which may be simulated or faster than the machine's."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._tasks: list[asyncio.Task[None]] = []

    def start(self, jobs: Sequence[Job]) -> None:
        self._tasks = [asyncio.create_task(self._again(job)) for job in jobs]

    async def stop(self) -> None:
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _again(self, job: Job) -> None:
        while True:
            await self._clock.sleep(job.every_s)
            await job.work()
