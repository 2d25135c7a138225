"""What is periodic or at set times, under clocks that are set, machines that sleep, slow jobs."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest

from contactd.core.instants import from_text, to_text
from contactd.service.clock import SimulatedClock
from contactd.service.scheduler import Scheduler

HOUR_S, DAY_S = 3600.0, 86_400.0
NIGHTLY = "0 2 * * *"


class Diary:
    """When something was done, by the wall clock."""

    def __init__(self, clock: SimulatedClock) -> None:
        self.clock = clock
        self.done: list[float] = []
        self.takes_s = 0.0

    async def work(self) -> None:
        self.done.append(self.clock.now())
        if self.takes_s:
            await self.clock.sleep(self.takes_s)

    def times(self) -> list[str]:
        return [to_text(each, 0)[5:16] for each in self.done]


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(from_text("2026-12-03T00:30:00Z"))


@pytest.fixture
def diary(clock: SimulatedClock) -> Diary:
    return Diary(clock)


@pytest.fixture
async def scheduler(clock: SimulatedClock) -> AsyncIterator[Scheduler]:
    made = Scheduler(clock)
    made.start()
    yield made
    await made.stop()


async def test_a_periodic_job_is_done_once_in_each_period(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    scheduler.every("look", 5.0, diary.work)
    await clock.advance(60.0)
    assert len(diary.done) == 12


@pytest.mark.parametrize("step_s", [-HOUR_S, -5.0, 5.0, HOUR_S, 400 * DAY_S])
async def test_setting_the_wall_clock_neither_silences_nor_repeats_a_periodic_job(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler, step_s: float
) -> None:
    scheduler.every("look", 5.0, diary.work)
    await clock.advance(30.0)
    clock.step(step_s)
    await clock.advance(30.0)
    assert len(diary.done) == 12


async def test_after_a_suspend_a_periodic_job_is_done_once_and_not_for_each_period_slept_through(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    scheduler.every("look", 5.0, diary.work)
    await clock.advance(10.0)
    clock.suspend(8 * HOUR_S)
    await clock.advance(5.0)
    assert len(diary.done) == 3


async def test_a_job_that_outlasts_its_period_is_never_under_way_twice(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    diary.takes_s = 12.0
    scheduler.every("look", 5.0, diary.work)
    await clock.advance(40.0)
    gaps = [b - a for a, b in zip(diary.done, diary.done[1:], strict=False)]
    assert gaps == [15.0, 15.0]


async def test_a_job_that_fails_is_tried_again_and_harms_no_other(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    tried = 0

    async def fail() -> None:
        nonlocal tried
        tried += 1
        raise RuntimeError("no")

    scheduler.every("bad", 5.0, fail)
    scheduler.every("good", 5.0, diary.work)
    await clock.advance(20.0)
    assert (tried, len(diary.done)) == (4, 4)


async def test_a_job_at_a_set_time_is_done_then_each_day(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    scheduler.at("nightly", NIGHTLY, diary.work, grace_s=HOUR_S)
    await clock.advance(3 * DAY_S)
    assert diary.times() == ["12-03T02:00", "12-04T02:00", "12-05T02:00"]


async def test_a_set_time_that_was_passed_over_is_made_good_once_within_its_grace(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    scheduler.at("nightly", NIGHTLY, diary.work, grace_s=HOUR_S)
    clock.step(2 * HOUR_S)  # 02:30
    await clock.advance(DAY_S)
    assert diary.times()[1:] == ["12-04T02:00"]
    assert diary.times()[0].startswith("12-03T02:3")


async def test_a_set_time_that_lies_back_further_than_its_grace_is_left_out(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    scheduler.at("nightly", NIGHTLY, diary.work, grace_s=HOUR_S)
    clock.suspend(4 * HOUR_S)  # 04:30
    await clock.advance(DAY_S)
    assert diary.times() == ["12-04T02:00"]


async def test_days_slept_through_are_made_good_by_one_run(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    scheduler.at("nightly", NIGHTLY, diary.work, grace_s=DAY_S)
    clock.suspend(5 * DAY_S)
    await clock.advance(120.0)
    assert len(diary.done) == 1


async def test_what_was_done_is_not_done_again_when_the_clock_is_set_back_over_it(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    scheduler.at("nightly", NIGHTLY, diary.work, grace_s=HOUR_S)
    await clock.advance(2 * HOUR_S)
    clock.step(-HOUR_S)
    await clock.advance(23 * HOUR_S)
    assert diary.times() == ["12-03T02:00"]


async def test_a_clock_that_was_a_year_ahead_does_not_silence_a_job_for_a_year(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    clock.step(365 * DAY_S)
    scheduler.at("nightly", NIGHTLY, diary.work, grace_s=HOUR_S)
    await clock.advance(120.0)
    clock.step(-365 * DAY_S)
    await clock.advance(2 * HOUR_S)
    assert diary.times() == ["12-03T02:00"]


async def test_a_job_dropped_or_given_anew_is_no_longer_done_as_before(
    clock: SimulatedClock, diary: Diary, scheduler: Scheduler
) -> None:
    other = Diary(clock)
    scheduler.every("look", 5.0, diary.work)
    scheduler.every("look", 10.0, other.work)
    await clock.advance(20.0)
    scheduler.drop("look")
    await clock.advance(20.0)
    assert (len(diary.done), len(other.done)) == (0, 2)


async def test_stopping_lets_what_is_under_way_come_to_its_end(clock: SimulatedClock) -> None:
    ended = asyncio.Event()

    async def work() -> None:
        await asyncio.sleep(0.05)
        ended.set()

    made = Scheduler(clock)
    made.start()
    made.every("look", 5.0, work)
    await clock.advance(5.0)
    await made.stop()
    assert ended.is_set()
