"""A contact that is recorded as missed covers no step any more, at once and after a restart."""

from __future__ import annotations

from pathlib import Path

import pytest
from orbits import geostationary
from scene import LONGITUDE_DEG, Scene
from watch import Watch

from contactd.core import record as kinds
from contactd.core.contacts.missed import missed_contact
from contactd.core.instants import from_text, to_text
from contactd.core.orbit.tle import format_tle
from contactd.core.record import Record
from contactd.core.sequences.model import Covered, StepForecast
from contactd.service.clock import SimulatedClock

NOW = from_text("2026-11-25T09:00:00Z")
HOUR_S = 3600.0
TARGET, STATION = "Lantern 3", "Under Point"


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(NOW)


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    scene = Scene(tmp_path, 1, {"horizon": {"ahead": "12h", "back": "1h"}})
    elements = "\n".join(format_tle(geostationary(LONGITUDE_DEG, epoch=NOW - 60.0)))
    sequence = {
        "name": "wake-up",
        "start": {"status": "observed", "at": to_text(NOW - HOUR_S, 3), "give_or_take": "10s"},
        "steps": [
            {
                "name": "receiver on",
                "after": "start",
                "delay": "2h",
                "needs": [{"service": "command"}],
            }
        ],
    }
    scene.write(
        "targets/lantern-3.yaml",
        {"name": TARGET, "elements": {"tle": elements}, "sequences": [sequence]},
    )
    return scene


def step(watch: Watch) -> StepForecast:
    return watch.daemon.snapshot().targets[TARGET].forecasts[0].steps[0]


def missed(watch: Watch, until: float) -> Record:
    outlook = watch.daemon.snapshot().targets[TARGET]
    body = missed_contact(outlook.contacts, STATION, NOW, NOW, until, "wind")
    return Record(NOW, kinds.CONTACT_MISSED, TARGET, "tester", body)


async def test_a_step_that_counted_on_it_is_unserved_and_that_is_a_warning(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    assert step(watch).coverage is Covered.COVERED
    await watch.daemon.commit([missed(watch, NOW + 4 * HOUR_S)])
    await watch.beats(2, 1.0)
    assert step(watch).coverage is Covered.UNCOVERED
    (alert,) = watch.raised("step-uncovered")
    assert "receiver on" in alert.body["what"]
    watch.vanish()
    again = Watch(scene.config, clock)
    await again.begin()
    assert step(again).coverage is Covered.UNCOVERED
    assert len(again.raised("step-uncovered")) == 1
    await again.end()


async def test_it_serves_again_from_when_the_station_has_it_again(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.daemon.commit([missed(watch, NOW + HOUR_S / 2)])
    await watch.beats(2, 1.0)
    assert step(watch).coverage is Covered.COVERED
    commands = watch.daemon.snapshot().targets[TARGET].services["command"][STATION].nominal
    assert not commands.meets(NOW - HOUR_S, NOW + HOUR_S / 2 - 1)
    await watch.end()
