"""Other elements than before: what is recorded, how far contacts moved, and who is told."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest
from orbits import invented
from scene import Scene
from watch import Watch

from contactd.core import record as kinds
from contactd.core.contacts.prediction import predict
from contactd.core.instants import DAY_S, from_text
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.tle import format_tle, parse_tle
from contactd.service.clock import SimulatedClock

QUIET = {"alerts": {"contact_lead": []}, "horizon": {"ahead": "2d", "back": "0s"}}


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(from_text("2026-11-25T09:00:00Z"))


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    return Scene(tmp_path, 1, QUIET)


def low_orbit(clock: SimulatedClock, **changes: float) -> ElementSet:
    """A low orbit over the scene's stations, as a TLE can say it."""
    values = {"inclination_deg": 20.0, "mean_anomaly_deg": 10.0} | changes
    elements = invented(epoch=clock.now() - 3600.0, bstar_per_earth_radius=0.0, **values)
    return parse_tle("\n".join(format_tle(elements)))[0]


def put(scene: Scene, *sets: ElementSet, **more: object) -> None:
    text = "\n".join(line for each in sets for line in format_tle(each)) + "\n"
    path = scene.write("targets/lantern-3.tle", text)
    # Two edits in one tick of a coarse file clock are still two edits.
    os.utime(path, ns=(path.stat().st_mtime_ns + len(text), path.stat().st_mtime_ns + id(text)))
    scene.write(
        "targets/lantern-3.yaml",
        {"name": "Lantern 3", "elements": {"tle": "lantern-3.tle"}, **more},
    )


def moved_alerts(watch: Watch) -> list[str]:
    return [str(each.body["what"]) for each in watch.raised("contacts-moved")]


async def test_new_elements_are_recorded_with_how_far_aos_moved(
    scene: Scene, clock: SimulatedClock
) -> None:
    put(scene, low_orbit(clock))
    watch = Watch(scene.config, clock)
    await watch.begin()
    assert watch.records(kinds.ELEMENTS_CHANGED) == []
    put(scene, low_orbit(clock, mean_anomaly_deg=14.0))
    await watch.daemon.reload()
    await watch.settle()
    (record,) = watch.records(kinds.ELEMENTS_CHANGED)
    assert record.subject == "Lantern 3"
    assert record.body["before"]["digest"] != record.body["after"]["digest"]
    period_s = DAY_S / low_orbit(clock).mean_motion_rev_per_day
    # 4° ahead along the orbit; where the path grazes the horizon it is somewhat more.
    assert -1.5 * 4 / 360 * period_s < record.body["furthest"]["moved_s"] < -4 / 360 * period_s + 5
    await watch.beats(1)
    (told,) = moved_alerts(watch)
    assert told.startswith("Lantern 3: new elements move AOS with Under Point by 1 min")
    assert "earlier" in told
    await watch.beats(3)
    assert len(moved_alerts(watch)) == 1
    await watch.end()


async def test_the_shift_is_that_of_the_contacts_themselves(
    scene: Scene, clock: SimulatedClock
) -> None:
    old, new = low_orbit(clock), low_orbit(clock, mean_anomaly_deg=10.5)
    put(scene, old)
    watch = Watch(scene.config, clock)
    await watch.begin()
    stations = list(watch.daemon.state.configuration.stations.values())
    put(scene, new)
    await watch.daemon.reload()
    await watch.settle()
    (record,) = watch.records(kinds.ELEMENTS_CHANGED)
    span = (clock.now() - 3600.0, clock.now() + 2 * DAY_S)
    before, after = (
        [c.aos for c in predict([Sgp4Track(each)], stations, *span)] for each in (old, new)
    )
    furthest = record.body["furthest"]
    for text, known in ((furthest["aos_before"], before), (furthest["aos_after"], after)):
        assert min(abs(from_text(text) - aos) for aos in known) < 0.02
    # 7.9 s: recorded, but no caution.
    await watch.beats(2)
    assert moved_alerts(watch) == []
    await watch.end()


async def test_the_limit_is_a_setting_and_a_target_may_have_its_own(
    scene: Scene, clock: SimulatedClock
) -> None:
    put(scene, low_orbit(clock), alerts={"aos_moved": "5s"})
    watch = Watch(scene.config, clock)
    await watch.begin()
    put(scene, low_orbit(clock, mean_anomaly_deg=10.5), alerts={"aos_moved": "5s"})
    await watch.daemon.reload()
    await watch.settle()
    await watch.beats(1)
    assert len(moved_alerts(watch)) == 1
    await watch.end()


async def test_elements_that_changed_while_the_service_was_down_are_compared_too(
    scene: Scene, clock: SimulatedClock
) -> None:
    put(scene, low_orbit(clock))
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.end()
    put(scene, low_orbit(clock, mean_anomaly_deg=14.0))
    await clock.advance(600.0)
    again = Watch(scene.config, clock)
    await again.begin()
    await again.beats(1)
    assert len(again.records(kinds.ELEMENTS_CHANGED)) == 1
    assert len(moved_alerts(again)) == 1
    await again.end()
    third = Watch(scene.config, clock)
    await third.begin()
    await third.beats(1)
    assert len(third.records(kinds.ELEMENTS_CHANGED)) == 1
    assert len(moved_alerts(third)) == 1
    await third.end()


async def test_of_several_sets_the_next_is_taken_when_it_is_nearer_and_that_is_recorded(
    scene: Scene, clock: SimulatedClock
) -> None:
    first = low_orbit(clock)
    second = low_orbit(clock, mean_anomaly_deg=60.0)
    second = replace(second, epoch=clock.now() + 7200.0)
    put(scene, first, second)
    watch = Watch(scene.config, clock)
    await watch.begin()
    (motion,) = watch.daemon.state.motions.values()
    assert [each.mean_anomaly_deg for each in motion.elements] == [10.0]
    await watch.beats(10, every_s=300.0)
    (record,) = watch.records(kinds.ELEMENTS_CHANGED)
    assert record.body["before"]["epoch"] < record.body["after"]["epoch"]
    (motion,) = watch.daemon.state.motions.values()
    assert [each.mean_anomaly_deg for each in motion.elements] == [60.0]
    await watch.end()


async def test_a_change_that_leaves_the_motion_alone_is_none(
    scene: Scene, clock: SimulatedClock
) -> None:
    put(scene, low_orbit(clock))
    watch = Watch(scene.config, clock)
    await watch.begin()
    put(scene, low_orbit(clock), alerts={"step_lead": "5min"})
    await watch.daemon.reload()
    await watch.settle()
    assert len(watch.records(kinds.CONFIGURATION_ADOPTED)) == 2
    assert watch.records(kinds.ELEMENTS_CHANGED) == []
    assert len(watch.records(kinds.ELEMENTS_ADOPTED)) == 1
    await watch.end()
