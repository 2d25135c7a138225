"""The beat under clocks that jump, machines that sleep, and a service that was away.

The satellite hangs over its station, so that what is due depends on the files alone.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from scene import Scene, now, step
from watch import Watch

from contactd.core import record as kinds
from contactd.service.clock import SimulatedClock

LEADS = {"alerts": {"step_lead": ["5min", "1min"]}}


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    laid = Scene(tmp_path, 1, LEADS)
    laid.write_target("Quiet Lantern", [step("beacon on", in_s=1200.0)])
    return laid


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(now())


def leads(watch: Watch) -> list[float]:
    return [each.body["lead_s"] for each in watch.told("step-expiring")]


def lates(watch: Watch) -> list[bool]:
    return [each.body["late"] for each in watch.raised("step-expiring")]


async def test_alerts_are_raised_in_the_second_in_which_they_fall_due(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(300, every_s=4.0)
    await watch.beats(30)
    assert leads(watch) == [300.0, 60.0]
    assert lates(watch) == [False]
    assert len(watch.raised("step-expired")) == 1
    await watch.end()


async def test_a_clock_set_forward_by_a_minute_loses_no_alert_and_repeats_none(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(29, every_s=30.0)
    assert leads(watch) == []
    clock.step(60.0)
    await watch.beats(1)
    # By the boot clock it is not due yet, and nobody knows whether the jump is right.
    assert leads(watch) == []
    assert [each.body["kind"] for each in watch.raised("clock-not-trusted")]
    assert watch.sample("contactd_clock_trusted") == 0.0
    await watch.beats(300)
    assert leads(watch) == [300.0, 60.0]
    await watch.end()


async def test_a_clock_set_back_by_a_minute_repeats_no_alert(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(92, every_s=10.0)
    assert leads(watch) == [300.0]
    clock.step(-60.0)
    await watch.beats(350)
    assert leads(watch) == [300.0, 60.0]
    assert lates(watch) == [False]
    assert len(watch.raised("clock-not-trusted")) == 1
    await watch.end()


async def test_after_ten_minutes_of_sleep_what_still_matters_is_raised_late(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(55, every_s=10.0)
    clock.suspend(600.0)
    await watch.beats(1)
    # Of two leads that fell due meanwhile, the shorter says it all.
    assert leads(watch) == [60.0]
    assert lates(watch) == [True]
    assert not watch.raised("clock-not-trusted")
    await watch.end()


async def test_a_plan_that_was_slept_through_is_renewed_without_a_warning(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(3)
    clock.suspend(7200.0)
    await watch.beats(5)
    snapshot = watch.daemon.snapshot()
    assert snapshot.planned_at is not None
    assert snapshot.at - snapshot.planned_at < 10.0
    assert not watch.raised("planning-overdue")
    await watch.end()


async def test_what_was_over_while_the_service_was_away_is_summed_up_in_one_caution(
    scene: Scene, clock: SimulatedClock
) -> None:
    names = [f"step {number}" for number in range(5)]
    steps = [step(name, in_s=1200.0 + 60 * number) for number, name in enumerate(names)]
    scene.write_target("Far Lantern", steps)
    first = Watch(scene.config, clock)
    await first.begin()
    await first.beats(5)
    first.vanish()
    clock.pass_time(7200.0)
    second = Watch(scene.config, clock)
    await second.begin()
    await second.beats(10)
    summaries = second.raised("alerts-missed")
    assert len(summaries) == 1
    assert summaries[0].body["severity"] == "caution"
    missed = second.records(kinds.ALERT_MISSED)
    assert summaries[0].body["facts"]["count"] == len(missed)
    subjects = {each.subject for each in missed}
    assert {f"Far Lantern/wake-up/{name}" for name in names} <= subjects
    await second.end()
    third = Watch(scene.config, clock)
    await third.begin()
    await third.beats(10)
    assert len(third.raised("alerts-missed")) == 1
    await third.end()


async def test_an_alert_that_fell_due_while_the_service_was_away_is_raised_late_on_restart(
    scene: Scene, clock: SimulatedClock
) -> None:
    first = Watch(scene.config, clock)
    await first.begin()
    await first.beats(5)
    first.vanish()
    clock.pass_time(1000.0)
    second = Watch(scene.config, clock)
    await second.begin()
    assert leads(second) == [300.0]
    assert lates(second) == [True]
    assert second.sample("contactd_alerts_late_total") == 1.0
    assert not second.raised("alerts-missed")
    await second.end()


async def test_a_ledger_that_was_kept_for_other_targets_is_told_at_the_start(
    scene: Scene, clock: SimulatedClock, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.end()
    assert "other targets" not in capsys.readouterr().out
    other = Scene(tmp_path / "other", 1, {"store": {"url": watch.url}})
    other.write_target("Pale Heron")
    second = Watch(other.config, clock)
    await second.begin()
    await second.end()
    assert "this ledger was kept for other targets" in capsys.readouterr().out
