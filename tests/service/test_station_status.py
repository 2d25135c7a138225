"""A station that is stated as out, degraded or back counts at once, and after a restart."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from orbits import geostationary
from prometheus_client import CollectorRegistry
from scene import LONGITUDE_DEG, Scene
from watch import Watch

from contactd.core.instants import from_text, to_text
from contactd.core.orbit.tle import format_tle
from contactd.core.record import Record
from contactd.core.sequences.model import Covered, StepForecast
from contactd.mission.agenda import agenda
from contactd.mission.documents.contacts import contact_form
from contactd.mission.statements import BY_VERB, notes_of, record_of, scene_of
from contactd.mission.statements.types import stated_moment
from contactd.mission.texts.cause import cause_text
from contactd.records import Ledger, fold
from contactd.service.clock import SimulatedClock
from contactd.service.metrics import SnapshotCollector
from contactd.service.view import DaemonView

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
                "name": "mast up",
                "after": "start",
                "delay": "3h",
                "hazard": "deployment",
                "keep_clear": {"before": "2min", "after": "10min"},
                "stop": {"lead": "60s", "takes_effect_in": "20s"},
                "needs": [{"service": "command"}],
            }
        ],
    }
    scene.write(
        "targets/lantern-3.yaml",
        {"name": TARGET, "elements": {"tle": elements}, "sequences": [sequence]},
    )
    return scene


def stated(watch: Watch, status: str, **fields: str) -> tuple[Record, list[str]]:
    """The record of a statement, and what is noted of it."""
    moments = {key: stated_moment(fields.pop(key), NOW) for key in ("from", "until")
               if key in fields}  # fmt: skip
    statement = BY_VERB["station"](station=STATION.lower(), status=status, **moments, **fields)
    state = watch.daemon.state
    scene = scene_of(
        "", None, targets=state.targets, stations=state.stations, knowledge=lambda *_: None,
        missed=lambda _: (), author="Ada Quill", now_s=NOW,
    )  # fmt: skip
    record = record_of(statement, scene)
    return record, notes_of(statement, scene, record)


def step(watch: Watch) -> StepForecast:
    return watch.daemon.snapshot().targets[TARGET].forecasts[0].steps[0]


async def begun(scene: Scene, clock: SimulatedClock) -> Watch:
    watch = Watch(scene.config, clock)
    await watch.begin()
    return watch


async def test_an_outage_stated_ahead_moves_the_stop_by_and_everything_says_why(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = await begun(scene, clock)
    before = step(watch)
    assert before.coverage is Covered.COVERED
    assert before.stop_by is not None
    record, _ = stated(watch, "out", **{"from": "+1h", "until": "+4h", "why": "wind"})
    await watch.daemon.commit([record])
    await watch.beats(2, 1.0)
    snapshot = watch.daemon.snapshot()
    after = step(watch)
    assert after.coverage is Covered.UNCOVERED
    assert after.stop_by is not None
    assert after.stop_by <= NOW + HOUR_S < before.stop_by
    assert watch.raised("step-uncovered")
    [contact] = snapshot.targets[TARGET].contacts
    outage = contact_form(contact, snapshot.stations[STATION])["outage"]
    assert outage["why"] == "wind (recorded by Ada Quill)"
    registry = CollectorRegistry()
    registry.register(SnapshotCollector(watch.daemon.snapshot, lambda: NOW + 2 * HOUR_S))
    assert registry.get_sample_value("contactd_station_out", {"station": STATION}) == 1
    watch.vanish()
    again = await begun(scene, clock)
    assert step(again).coverage is Covered.UNCOVERED
    back, _ = stated(again, "back")
    await again.daemon.commit([back])
    await again.beats(2, 1.0)
    assert (step(again).coverage, step(again).stop_by) == (before.coverage, before.stop_by)
    await again.end()


async def test_what_is_degraded_may_cover_but_no_step_and_no_stop_counts_on_it(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = await begun(scene, clock)
    record, _ = stated(watch, "degraded", why="half power")
    await watch.daemon.commit([record])
    await watch.beats(2, 1.0)
    now_is, snapshot = step(watch), watch.daemon.snapshot()
    assert now_is.coverage is Covered.AT_RISK
    assert cause_text(now_is) == f"only through {STATION}, which is degraded"
    assert not now_is.stop_certain
    assert now_is.stop_by is None or now_is.stop_by <= NOW
    rows = [row.text for row in agenda(snapshot, NOW, NOW + HOUR_S).rows]
    assert any("station degraded: half power (recorded by Ada Quill)" in text for text in rows)
    await watch.end()


async def test_it_is_shown_before_it_is_recorded_and_only_as_it_was_known(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = await begun(scene, clock)
    await watch.beats(2, 10.0)
    record = replace(stated(watch, "out", until="+4h")[0], at=clock.now())
    view = DaemonView(watch.daemon, CollectorRegistry(), Ledger.open(watch.url))
    supposed = view.suppose([record])
    assert supposed.targets[TARGET].forecasts[0].steps[0].coverage is Covered.UNCOVERED
    assert step(watch).coverage is Covered.COVERED
    await watch.daemon.commit([record])
    await watch.beats(2, 10.0)
    then = view.known_at(record.at - 0.5)
    assert then.targets[TARGET].forecasts[0].steps[0].coverage is Covered.COVERED
    assert not then.stations[STATION].stated
    await watch.end()


async def test_a_return_that_a_file_contradicts_is_noted(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = await begun(scene, clock)
    assert stated(watch, "back")[1] == []
    path = scene.config / "stations" / "under-point.yaml"
    path.write_text(
        path.read_text() + f"outages:\n  - {{from: {to_text(NOW)}, "
        f"to: {to_text(NOW + HOUR_S)}, why: gearbox}}\n"
    )
    await watch.daemon.reload()
    record, [note] = stated(watch, "back")
    assert note == (
        "The configuration has Under Point out 09:00:00Z to 10:00:00Z: gearbox. Change it there "
        "if that no longer holds."
    ).replace("09:00:00Z to", "2026-11-25 09:00:00Z to")
    assert fold(watch.daemon.state.knowledge, [record]).station_status == {STATION: ()}
    await watch.end()
