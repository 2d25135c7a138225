"""What is done again and again, or at set times: APScheduler's jobs, driven by the service's clock.

What falls due for the watch is not scheduled here: the beat finds it, whatever the clocks do.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime, timedelta
from typing import Any

import structlog
from apscheduler.job import Job
from apscheduler.jobstores.memory import MemoryJobStore
from apscheduler.schedulers.base import BaseScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger

from contactd.core import instants
from contactd.service.clock import Clock

FINISH_S = 3.0
"""What is under way when the scheduler stops may go on for so long; then it is broken off."""
LONGEST_SLEEP_S = 60.0
"""So long at the most it sleeps, so that a clock that was set is noticed."""
_LEAST_SLEEP_S = 0.01
_FAR_BACK = timedelta(days=1)
_INSTANT = timedelta(microseconds=1)
_BOOT = datetime(2000, 1, 1, tzinfo=UTC)
_ELAPSED, _CALENDAR = "elapsed", "calendar"

Work = Callable[[], Coroutine[Any, Any, None]]

log = structlog.get_logger("contactd.scheduler")


class _Jobs(BaseScheduler):  # type: ignore[misc]
    """Jobs, triggers and their store; when somebody looks at them is our affair, not theirs."""

    def wakeup(self) -> None:
        """Nobody sleeps here."""

    def shutdown(self, wait: bool = True) -> None:
        """Let go of the jobs."""
        super().shutdown(wait)


class Scheduler:
    """Runs jobs from memory, never the same one twice at once.

    A job of :meth:`every` counts by the boot clock: setting the wall clock neither delays nor
    repeats it, and after a suspend it runs once. A job of :meth:`at` counts by the wall clock: a
    time that was passed over, by a suspend or by setting the clock, is made good once if it lies
    back no further than its grace; what has run does not run again when the clock is set back, by
    less than a day.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._jobs = _Jobs(timezone=UTC)
        self._stores = {name: MemoryJobStore() for name in (_ELAPSED, _CALENDAR)}
        for name, store in self._stores.items():
            self._jobs.add_jobstore(store, name)
        self._jobs.start(paused=True)
        self._under_way: dict[str, asyncio.Task[None]] = {}
        self._running: asyncio.Task[None] | None = None
        self._changed = asyncio.Event()
        self._latest = self._now(_CALENDAR)

    def every(self, name: str, seconds: float, work: Work) -> None:
        """Do something every so many seconds, for the first time after so many."""
        now = self._now(_ELAPSED)
        trigger = IntervalTrigger(seconds=seconds, timezone=UTC, start_date=now)
        self._add(name, _ELAPSED, trigger, work, None, now + timedelta(seconds=seconds))

    def at(self, name: str, crontab: str, work: Work, grace_s: float) -> None:
        """Do something at set times (UTC).

        Args:
            crontab: minute, hour, day of the month, month, day of the week.
            grace_s: so late (s) it is still done.

        Raises:
            ValueError: if ``crontab`` cannot be understood.
        """
        trigger = CronTrigger.from_crontab(crontab, timezone=UTC)
        first = trigger.get_next_fire_time(None, self._now(_CALENDAR))
        self._add(name, _CALENDAR, trigger, work, grace_s, first)

    def drop(self, name: str) -> None:
        """Do it no more; nothing if there is no such job."""
        for alias in self._stores:
            if self._jobs.get_job(name, alias) is not None:
                self._jobs.remove_job(name, alias)

    def start(self) -> None:
        """Begin to do what falls due."""
        self._running = asyncio.create_task(self._go_on())

    async def stop(self) -> None:
        """Begin nothing again; end what is under way."""
        if self._running is not None:
            self._running.cancel()
            await asyncio.gather(self._running, return_exceptions=True)
        self._jobs.shutdown(wait=False)
        tasks = set(self._under_way.values())
        if tasks:
            await asyncio.wait(tasks, timeout=FINISH_S)
        for task in tasks:
            task.cancel()

    def run_due(self) -> None:
        """Begin all that is due at this moment."""
        self._begin_anew_if_set_far_back()
        for alias, store in self._stores.items():
            now = self._now(alias)
            for job in store.get_due_jobs(now):
                following = job.trigger.get_next_fire_time(None, now + _INSTANT)
                if following is None:
                    self._jobs.remove_job(job.id, alias)
                else:
                    job.modify(next_run_time=following)
                if _is_too_late(job, now):
                    log.warning("passed over: it is too late for it", job=job.id)
                else:
                    self._begin(job)

    def _begin_anew_if_set_far_back(self) -> None:
        """A clock that was far ahead and is right again must not silence what is at set times."""
        now, latest = self._now(_CALENDAR), self._latest
        self._latest = now
        if latest - now <= _FAR_BACK:
            self._latest = max(now, latest)
            return
        for job in self._stores[_CALENDAR].get_all_jobs():
            job.modify(next_run_time=job.trigger.get_next_fire_time(None, now))

    def _add(
        self,
        name: str,
        alias: str,
        trigger: BaseTrigger,
        work: Work,
        grace_s: float | None,
        first: datetime | None,
    ) -> None:
        self.drop(name)
        self._jobs.add_job(
            work,
            trigger,
            id=name,
            jobstore=alias,
            coalesce=True,
            max_instances=1,
            misfire_grace_time=None if grace_s is None else max(round(grace_s), 1),
            next_run_time=first,
        )
        self._changed.set()

    def _begin(self, job: Job) -> None:
        before = self._under_way.get(job.id)
        if before is not None and not before.done():
            return
        self._under_way[job.id] = asyncio.create_task(self._do(job.id, job.func))

    async def _do(self, name: str, work: Work) -> None:
        try:
            await work()
        except Exception:
            log.exception("a job failed", job=name)

    async def _go_on(self) -> None:
        while True:
            self._changed.clear()
            self.run_due()
            await self._sleep(self._until_next_s())

    def _until_next_s(self) -> float:
        waits = [
            (due - self._now(alias)).total_seconds()
            for alias, store in self._stores.items()
            if (due := store.get_next_run_time()) is not None
        ]
        return min(max(min(waits, default=LONGEST_SLEEP_S), _LEAST_SLEEP_S), LONGEST_SLEEP_S)

    async def _sleep(self, seconds: float) -> None:
        """Sleep, but not longer than until the jobs are others."""
        waiting = [
            asyncio.ensure_future(self._clock.sleep(seconds)),
            asyncio.ensure_future(self._changed.wait()),
        ]
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for each in waiting:
                each.cancel()

    def _now(self, alias: str) -> datetime:
        if alias == _ELAPSED:
            return _BOOT + timedelta(seconds=self._clock.boottime())
        return instants.to_utc(self._clock.now())


def _is_too_late(job: Job, now: datetime) -> bool:
    """Whether the last time at which a job was due lies back further than its grace."""
    grace_s = job.misfire_grace_time
    if grace_s is None:
        return False
    within = job.trigger.get_next_fire_time(None, now - timedelta(seconds=grace_s))
    return within is None or bool(within > now)
