"""Station time in the running service: shared after each plan, recorded, and kept to."""

from __future__ import annotations

import builtins
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from orbits import geostationary
from scene import LONGITUDE_DEG, Scene
from watch import Watch

from contactd.core import record as kinds
from contactd.core.instants import from_text, to_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.tle import format_tle
from contactd.service.clock import SimulatedClock

HOUR_S = 3600.0
NOW = from_text("2026-11-25T09:00:00Z")
SETTINGS = {
    "alerts": {"contact_lead": []},
    "horizon": {"ahead": "12h", "back": "0s"},
    "station_time": {"frozen": "30min"},
}


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(NOW)


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return Scene(tmp_path, 1, SETTINGS)


def put(scene: Scene, name: str, asks: Mapping[str, Any] | None = None, **more: Any) -> None:
    """A satellite that hangs over the station for ever."""
    elements = geostationary(LONGITUDE_DEG, epoch=NOW - 60.0)
    content = {"name": name, "elements": {"tle": "\n".join(format_tle(elements))}, **more}
    if asks is not None:
        content["station_time"] = dict(asks)
    scene.write(f"targets/{name.lower().replace(' ', '-')}.yaml", content)


def commands(watch: Watch, target: str) -> IntervalSet:
    """When commands can be sent in the next thirteen hours, as the service says."""
    outlook = watch.daemon.snapshot().targets[target]
    return outlook.services["command"]["Under Point"].nominal.clip(NOW, NOW + 13 * HOUR_S)


async def test_two_targets_over_one_station_share_it(scene: Scene, clock: SimulatedClock) -> None:
    put(
        scene,
        "Lantern 3",
        {"priority": 5, "count": 2, "most_duration": "1h", "least_duration": "1h"},
    )
    put(scene, "Pale Heron", {"most_duration": "1h"})
    watch = Watch(scene.config, clock)
    await watch.begin()
    ours, theirs = commands(watch, "Lantern 3"), commands(watch, "Pale Heron")
    assert ours.total_s == pytest.approx(2 * HOUR_S)
    assert theirs.total_s > 10 * HOUR_S
    assert not ours & theirs
    (record,) = watch.records(kinds.STATION_TIME_ALLOCATED)
    assert record.subject == "station time"
    assert {form["target"] for form in record.body["granted"]} == {"Lantern 3", "Pale Heron"}
    (short,) = record.body["short"]
    assert short["target"] == "Pale Heron"
    assert short["because"].startswith("lost to Lantern 3, because a priority of 5 goes before 1")
    shown = watch.daemon.snapshot().station_time
    assert shown is not None
    assert shown.shortfalls
    await watch.end()


async def test_as_time_goes_by_nothing_is_moved_without_need(
    scene: Scene, clock: SimulatedClock
) -> None:
    put(scene, "Lantern 3", {"priority": 5, "count_per_day": 2, "most_duration": "1h"})
    put(scene, "Pale Heron", {"most_duration": "2h"})
    watch = Watch(scene.config, clock)
    await watch.begin()
    before = commands(watch, "Lantern 3")
    await watch.beats(8, 30 * 60.0)
    later = watch.records(kinds.STATION_TIME_ALLOCATED)
    assert len(later) > 1
    end = NOW + 13 * HOUR_S
    assert commands(watch, "Lantern 3").clip(clock.now(), end) == before.clip(clock.now(), end)
    moved = [
        form
        for each in later[1:]
        for form in each.body["withdrawn"]
        if form["target"] == "Lantern 3"
    ]
    assert not moved
    await watch.end()


async def test_after_a_restart_what_was_granted_is_known_and_kept(
    scene: Scene, clock: SimulatedClock
) -> None:
    put(scene, "Lantern 3", {"count_per_day": 2, "most_duration": "1h"})
    put(scene, "Pale Heron", {"most_duration": "1h"})
    watch = Watch(scene.config, clock)
    await watch.begin()
    before = commands(watch, "Lantern 3"), commands(watch, "Pale Heron")
    watch.vanish()
    await clock.advance(60.0)
    again = Watch(scene.config, clock)
    await again.begin()
    assert (commands(again, "Lantern 3"), commands(again, "Pale Heron")) == before
    await again.end()


async def test_a_stop_takes_the_station_from_whoever_has_it(
    scene: Scene, clock: SimulatedClock
) -> None:
    """What a sequence wants goes before the greatest priority, also within frozen time."""
    put(scene, "Pale Heron", {"priority": 1000, "most_duration": "7d", "least_duration": "10h"})
    put(scene, "Lantern 3", {"count": 1, "deadline": "2026-11-25T09:00:01Z"})
    watch = Watch(scene.config, clock)
    await watch.begin()
    assert not commands(watch, "Lantern 3")
    assert commands(watch, "Pale Heron")
    step = {
        "name": "antenna release",
        "after": "start",
        "delay": "3h",
        "hazard": "deployment",
        "stop": {"lead": "60s", "takes_effect_in": "20s"},
        "needs": {"service": "telemetry", "before": "1min", "after": "3min"},
    }
    start = {"status": "observed", "at": to_text(NOW - HOUR_S), "give_or_take": "10s"}
    running = [{"name": "wake-up", "start": start, "steps": [step]}]
    put(scene, "Lantern 3", {"count": 1, "deadline": "2026-11-25T09:00:01Z"}, sequences=running)
    await watch.daemon.reload()
    await watch.settle()
    (forecast,) = watch.daemon.snapshot().targets["Lantern 3"].forecasts
    (shown,) = forecast.steps
    assert shown.stop_by == pytest.approx(NOW + 2 * HOUR_S - 10 - 80, abs=1.0)
    assert shown.coverage is not None
    assert str(shown.coverage) == "covered"
    last = watch.records(kinds.STATION_TIME_ALLOCATED)[-1]
    assert any(form["urgent"] for form in last.body["granted"])
    assert not watch.raised("stop-by-passed")
    assert not watch.raised("step-uncovered")
    await watch.end()


async def test_contacts_that_others_have_are_not_announced(
    tmp_path: Path, clock: SimulatedClock
) -> None:
    scene = Scene(tmp_path, 1, SETTINGS)
    put(scene, "Lantern 3", {"count": 1, "deadline": "2026-11-25T09:00:01Z"})
    put(scene, "Pale Heron", {"priority": 3})
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(3, 20 * 60.0)
    opened = [each.body["target"] for each in watch.raised("contact-coming")]
    assert "Lantern 3" not in opened
    await watch.end()


async def test_where_the_solver_is_missing_everything_goes_on_and_somebody_is_told(
    tmp_path: Path, clock: SimulatedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *more: Any) -> Any:
        if name.startswith("ortools"):
            raise ImportError(name)
        return real(name, *more)

    monkeypatch.setattr(builtins, "__import__", without)
    scene = Scene(tmp_path, 1, {**SETTINGS, "station_time": {"solver": "cp-sat"}})
    put(scene, "Lantern 3")
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(1)
    assert commands(watch, "Lantern 3")
    assert watch.daemon.health().ready
    (told,) = watch.raised("station-time-trouble")
    assert "contactd with the extra 'allocation'" in told.body["what"]
    await watch.end()


async def test_without_the_section_every_contact_stays_ours(
    tmp_path: Path, clock: SimulatedClock
) -> None:
    scene = Scene(tmp_path, 1, {key: SETTINGS[key] for key in ("alerts", "horizon")})
    put(scene, "Lantern 3")
    put(scene, "Pale Heron")
    watch = Watch(scene.config, clock)
    await watch.begin()
    assert commands(watch, "Lantern 3") == commands(watch, "Pale Heron")
    assert watch.daemon.snapshot().station_time is None
    assert not watch.records(kinds.STATION_TIME_ALLOCATED)
    scene.write("contactd.yaml", {"http": {"port": 1}, **SETTINGS})
    await watch.daemon.reload()
    await watch.settle()
    assert not commands(watch, "Lantern 3") & commands(watch, "Pale Heron")
    await watch.end()
