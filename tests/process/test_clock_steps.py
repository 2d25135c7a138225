"""The real process under a wall clock that is set by a minute while it runs."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from programs import program
from scene import step
from waiting import wait_for

pytestmark = pytest.mark.process


class MovableClock:
    """A file from which libfaketime takes how far the wall clock is off."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.set(0)

    def set(self, offset_s: int) -> None:
        draft = self.file.with_suffix(".draft")
        draft.write_text(f"{offset_s:+d}s\n")
        draft.replace(self.file)

    def environment(self) -> dict[str, str]:
        return {
            "LD_PRELOAD": str(program("libfaketime")),
            "FAKETIME_TIMESTAMP_FILE": str(self.file),
            "FAKETIME_NO_CACHE": "1",
            # Setting the wall clock leaves the clocks that count from the start alone.
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "DONT_FAKE_MONOTONIC": "1",
        }


@pytest.mark.parametrize("step_s", [60, -60])
def test_the_beat_goes_on_when_the_clock_is_set_and_the_step_is_told(
    lay_scene, start_daemon, tmp_path, step_s
):
    movable = MovableClock(tmp_path / "offset")
    scene = lay_scene()
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=7200)])
    daemon = start_daemon(scene, **movable.environment())
    before = daemon.metric("contactd_last_beat_timestamp_seconds")
    movable.set(step_s)
    wait_for(lambda: daemon.metric("contactd_clock_steps_total") == 1, "the step to be noticed")
    wait_for(lambda: daemon.metric("contactd_clock_trusted") == 0, "the clock to be distrusted")
    shown = daemon.metric("contactd_last_beat_timestamp_seconds")
    # The boot clock carries on: nobody knows whether the step was right.
    assert -1 <= shown - before < 30
    beats = daemon.metric("contactd_beats_total")
    # A scheduler that waits by the wall clock would be silent for a minute after a step back.
    wait_for(lambda: daemon.metric("contactd_beats_total") >= beats + 5, "five more beats")
    told = [each for each in daemon.events() if each.get("kind") == "clock-not-trusted"]
    assert len(told) == 1


def test_an_alert_that_a_step_forward_makes_due_is_raised_once_the_step_has_stood(
    lay_scene, start_daemon, tmp_path
):
    movable = MovableClock(tmp_path / "offset")
    scene = lay_scene(alerts={"step_lead": ["1h"]}, clock={"settle": "5s"})
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=3600 + 600)])
    daemon = start_daemon(scene, **movable.environment())

    def told() -> list[dict]:
        return [each for each in daemon.events() if each.get("kind") == "step-expiring"]

    # A glitch of two seconds, an hour long, tells nothing.
    movable.set(3600)
    wait_for(lambda: daemon.metric("contactd_clock_steps_total") == 1, "the step to be noticed")
    time.sleep(1.0)
    movable.set(0)
    wait_for(lambda: daemon.metric("contactd_clock_steps_total") == 2, "the step back")
    wait_for(lambda: daemon.metric("contactd_clock_trusted") == 1, "the clock to be trusted")
    assert not told()
    movable.set(660)
    wait_for(lambda: daemon.metric("contactd_clock_trusted") == 0, "the clock to be distrusted")
    assert not told()
    assert len(wait_for(told, "the alert", patience_s=30)) == 1
