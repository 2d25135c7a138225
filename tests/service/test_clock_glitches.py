"""A wall clock that is wrong for a while changes nothing of what is told, and when."""

from __future__ import annotations

from pathlib import Path

import pytest
from scene import Scene, now, step
from watch import Watch

from contactd.core import record as kinds
from contactd.core.instants import from_text
from contactd.service.clock import SimulatedClock
from contactd.service.kernel_clock import Synchronisation
from contactd.service.steady_clock import SteadyClock

HAZARD = {"hazard": "deployment", "keep_clear": {"before": "2min", "after": "1min"}}


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    laid = Scene(
        tmp_path, 1, {"alerts": {"step_lead": ["2min"], "stop_by_lead": ["1min"],
                                 "keep_clear_lead": ["1min"]}}
    )  # fmt: skip
    stop = {"lead": "1s", "takes_effect_in": "1s"}
    laid.write_target(
        "Quiet Lantern", [step("boom out", in_s=300.0, service="command", stop=stop, **HAZARD)]
    )
    return laid


async def night(scene: Scene, by_s: float, for_s: int, at_s: int) -> list[tuple[str, float, bool]]:
    """What is told within 400 s, (kind and lead, seconds late by true time, called late)."""
    clock = SimulatedClock(now())
    watch = Watch(scene.config, clock)
    await watch.begin()
    offset_s, told = 0.0, []
    seen = len(watch.records())
    for second in range(400):
        if second == at_s:
            clock.step(by_s)
            offset_s = by_s
        if second == at_s + for_s:
            clock.step(-by_s)
            offset_s = 0.0
        await watch.beats(1)
        true = clock.now() - offset_s
        news = watch.records()[seen:]
        seen += len(news)
        for each in news:
            if each.kind == kinds.ALERT_MISSED:
                told.append((f"missed {each.body['kind']}", 0.0, True))
            if each.kind == kinds.ALERT_RAISED and each.body["sort"] == "event":
                late_s = true - from_text(each.body["due"])
                told.append(
                    (f"{each.body['kind']} {each.body['lead_s']:g}", late_s, each.body["late"])
                )
    await watch.end()
    return told


GLITCHES = [(100.0, 8, 150), (3600.0, 60, 170), (-3600.0, 60, 150), (600.0, 1, 235)]  # fmt: skip


@pytest.mark.parametrize(("by_s", "for_s", "at_s"), GLITCHES)
async def test_a_glitch_changes_nothing_of_what_is_told(
    scene: Scene, by_s: float, for_s: int, at_s: int
) -> None:
    without = await night(scene, 0.0, 1, 1)
    (scene.folder / "ledger.sqlite").unlink()
    told = await night(scene, by_s, for_s, at_s)
    assert [name for name, _, _ in told] == [name for name, _, _ in without]
    assert {"stop-by-coming 60", "stop-by-passed 0", "step-expired 0"} <= {each[0] for each in told}
    assert all(0.0 <= late_s <= 2.0 for _, late_s, _ in told), told
    assert not any(late for _, _, late in told)


def test_a_jump_counts_once_it_has_stood_for_the_settling_time() -> None:
    machine = SimulatedClock(1000.0)
    steady = SteadyClock(machine, 0.5, 600.0)
    machine.step(3600.0)
    assert steady.now() == 1000.0
    machine.pass_time(599.0)
    assert steady.now() == 1599.0
    assert steady.carried_s == 3600.0
    machine.pass_time(1.0)
    assert steady.now() == 1600.0 + 3600.0
    assert steady.carried_s == 0.0


def test_another_jump_begins_the_settling_time_anew_and_a_jump_back_ends_it() -> None:
    machine = SimulatedClock(1000.0)
    steady = SteadyClock(machine, 0.5, 600.0)
    machine.step(100.0)
    assert steady.now() == 1000.0
    machine.pass_time(590.0)
    machine.step(100.0)
    assert steady.now() == 1590.0
    machine.pass_time(590.0)
    assert steady.now() == 2180.0
    machine.step(-200.0)
    assert steady.now() == machine.now() == 2180.0


def test_a_jump_by_which_the_clock_becomes_synchronised_counts_at_once() -> None:
    machine, told = SimulatedClock(1000.0), [Synchronisation(synchronised=False, error_bound_s=9.0)]
    steady = SteadyClock(machine, 0.5, 600.0, lambda: told[-1])
    machine.step(3600.0)
    told.append(Synchronisation(synchronised=True, error_bound_s=0.1))
    assert steady.now() == 4600.0


def test_slewing_and_sleep_are_no_jumps() -> None:
    machine = SimulatedClock(1000.0, drift_ppm=500.0)
    steady = SteadyClock(machine, 0.5, 600.0)
    for _ in range(5000):
        machine.pass_time(1.0)
        assert steady.now() == machine.now()
    machine.suspend(7200.0)
    assert steady.now() == machine.now()
