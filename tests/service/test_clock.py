"""Clocks, and noticing when one of them goes wrong."""

import asyncio

import pytest

from contactd.core import instants
from contactd.service.clock import ClockWatch, SimulatedClock, WallClock
from contactd.service.kernel_clock import Synchronisation, synchronisation

START = instants.from_text("2026-12-03T08:00:00Z")


def beats(watch: ClockWatch, clock: SimulatedClock, count: int) -> int:
    """Let so many seconds pass with a look each; how many looks noticed something."""
    noticed = 0
    for _ in range(count):
        clock.pass_time(1.0)
        noticed += watch.look()
    return noticed


@pytest.mark.parametrize("step_s", [60.0, -60.0])
def test_a_stepped_clock_is_noticed_once_and_distrusted_for_a_while(step_s: float) -> None:
    clock = SimulatedClock(START)
    watch = ClockWatch(clock, settle_s=600.0)
    assert beats(watch, clock, 5) == 0
    clock.step(step_s)
    assert watch.look()
    assert watch.stepped_by_s == pytest.approx(step_s)
    assert not watch.trust().trusted
    assert "60.0 s" in watch.trust().why
    assert beats(watch, clock, 598) == 0
    assert not watch.trust().trusted
    beats(watch, clock, 5)
    assert watch.trust().trusted
    assert watch.steps_seen == 1


def test_a_suspend_is_noticed_and_is_no_reason_for_distrust() -> None:
    clock = SimulatedClock(START)
    watch = ClockWatch(clock)
    beats(watch, clock, 3)
    clock.suspend(600.0)
    assert watch.look()
    assert watch.suspended_s == pytest.approx(600.0)
    assert watch.stepped_by_s == 0.0
    assert watch.trust().trusted


def test_the_slewing_of_a_disciplined_clock_is_not_a_step() -> None:
    # adjtimex(2) and ntpd slew by at most 500 ppm (value from memory).
    clock = SimulatedClock(START, drift_ppm=500.0)
    watch = ClockWatch(clock)
    assert beats(watch, clock, 3600) == 0
    assert watch.trust().trusted


async def test_sleepers_wake_in_order_at_their_moment() -> None:
    clock = SimulatedClock(START)
    woken: list[tuple[str, float]] = []

    async def sleeper(name: str, seconds: float) -> None:
        await clock.sleep(seconds)
        woken.append((name, clock.now() - START))

    tasks = [asyncio.create_task(sleeper(name, s)) for name, s in [("b", 20.0), ("a", 5.0)]]
    await asyncio.sleep(0)
    await clock.advance(10.0)
    assert woken == [("a", 5.0)]
    await clock.advance(10.0)
    assert woken == [("a", 5.0), ("b", 20.0)]
    await asyncio.gather(*tasks)


def test_the_machines_clock_tells_the_time_of_the_operating_system() -> None:
    from datetime import UTC, datetime

    clock = WallClock()
    before = datetime.now(UTC)
    now = instants.to_utc(clock.now())
    assert abs((now - before).total_seconds()) < 5.0
    before_s = clock.monotonic()
    assert 0.0 < before_s <= clock.boottime() + 1e-3


class Kernel:
    """Answers as the kernel would."""

    def __init__(self, synchronised: bool) -> None:
        self.synchronised = synchronised

    def __call__(self) -> Synchronisation:
        return Synchronisation(self.synchronised, 0.01)


def test_a_clock_that_loses_its_synchronisation_is_distrusted_until_it_is_back() -> None:
    clock, kernel = SimulatedClock(START), Kernel(True)
    watch = ClockWatch(clock, ask=kernel)
    beats(watch, clock, 3)
    assert watch.trust().trusted
    kernel.synchronised = False
    beats(watch, clock, 1)
    assert not watch.trust().trusted
    assert "no longer synchronised" in watch.trust().why
    kernel.synchronised = True
    beats(watch, clock, 1)
    assert watch.trust().trusted


@pytest.mark.parametrize("required", [False, True])
def test_a_clock_that_never_was_synchronised_is_distrusted_only_where_that_is_required(
    required: bool,
) -> None:
    clock = SimulatedClock(START)
    watch = ClockWatch(clock, ask=Kernel(False), requires_synchronisation=required)
    beats(watch, clock, 3)
    assert watch.trust().trusted is not required


def test_the_kernel_can_be_asked_and_its_answer_lies_within_its_own_limits() -> None:
    told = synchronisation()
    if told is None:
        pytest.skip("this kernel cannot be asked")
    again = synchronisation()
    assert again is not None
    assert again.synchronised == told.synchronised
    # The kernel's limit of maxerror is 16 s (NTP_PHASE_LIMIT in include/linux/timex.h).
    assert 0.0 <= told.error_bound_s <= 16.0
