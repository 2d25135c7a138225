"""A motion that an operator corrects by what stations observed moves predictions, until dropped."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from command_line import low_orbit
from prometheus_client import CollectorRegistry
from scene import Scene
from watch import Watch

from contactd.core.instants import DAY_S, from_text
from contactd.core.learning.correction import corrected_elements, correction_body
from contactd.core.learning.known import Lesson
from contactd.core.learning.receptions import Growth
from contactd.core.learning.several import Learned, Offset, learn_motion
from contactd.core.orbit.tle import format_tle
from contactd.core.record import ELEMENTS_ADOPTED, ELEMENTS_CHANGED, MOTION_CORRECTED, Record
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock
from contactd.service.view import DaemonView

NOW = from_text("2026-11-25T09:00:00Z")
TARGET = "Lantern 3"
ELEMENTS = low_orbit()
EARLY_S = 4.0


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(NOW)


def write(scene: Scene, elements: object = ELEMENTS) -> None:
    text = "\n".join(format_tle(elements))  # type: ignore[arg-type]
    error = {"at_epoch": "5s", "per_day": "5s"}
    scene.write(
        "targets/lantern-3.yaml",
        {"name": TARGET, "elements": {"tle": text, "timing_error": error}},
    )


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    scene = Scene(tmp_path, 1, {"horizon": {"ahead": "12h", "back": "1h"}})
    write(scene)
    return scene


def adopting(at: float = NOW) -> Record:
    growth = Growth(5.0, 5.0)
    offsets = (Offset(NOW - 3_600.0, EARLY_S, 0.2, 1),)
    learned = learn_motion(ELEMENTS.epoch, growth, offsets)
    rows = ((NOW - 3_600.0, EARLY_S, 0.2),)
    lesson = Lesson(ELEMENTS, growth, learned, 0, 1, (), 0.7, rows, ())
    return Record(at, MOTION_CORRECTED, TARGET, "Ada Quill", correction_body(lesson))


def aos(watch: Watch) -> list[float]:
    return [each.aos for each in watch.daemon.snapshot().targets[TARGET].contacts
            if not each.cut_at_start]  # fmt: skip


async def begun(scene: Scene, clock: SimulatedClock) -> Watch:
    watch = Watch(scene.config, clock)
    await watch.begin()
    return watch


def moved_s(before: list[float], after: list[float]) -> list[float]:
    return [min((one - other for other in after), key=abs) for one in before]


async def test_it_moves_contacts_at_once_and_after_a_restart_until_it_is_dropped(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = await begun(scene, clock)
    before = aos(watch)
    error_s = watch.daemon.snapshot().targets[TARGET].elements.timing_error_s
    assert before
    view = DaemonView(watch.daemon, CollectorRegistry(), Ledger.open(watch.url))
    supposed = [each.aos for each in view.suppose([adopting()]).targets[TARGET].contacts]
    assert min(abs(each - EARLY_S) for each in moved_s(before, supposed)) < 1.0

    await watch.daemon.commit([adopting()])
    await watch.beats(2)
    after = aos(watch)
    assert all(abs(each - EARLY_S) < 1.0 for each in moved_s(before, after))
    in_use = watch.daemon.snapshot().targets[TARGET].elements
    assert in_use.timing_error_s < error_s / 2
    assert "corrected by 1 contact" in in_use.source
    # What is kept of elements is what was published.
    assert len(watch.records(ELEMENTS_ADOPTED)) == 1
    assert len(watch.records(ELEMENTS_CHANGED)) == 1
    watch.vanish()

    again = await begun(scene, clock)
    assert aos(again) == pytest.approx(after, abs=0.01)
    await again.beats(2)
    await again.daemon.reload()
    await again.settle()
    assert aos(again) == pytest.approx(after, abs=0.01)
    assert len(again.records(ELEMENTS_ADOPTED)) == 1

    await again.daemon.commit(
        [Record(clock.now(), MOTION_CORRECTED, TARGET, "Ada Quill", {"adopt": False})]
    )
    await again.beats(2)
    assert aos(again) == pytest.approx(before, abs=0.01)
    await again.end()


async def test_new_elements_that_explain_what_was_observed_take_its_place(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = await begun(scene, clock)
    await watch.daemon.commit([adopting()])
    await watch.beats(2)
    assert watch.daemon.state.targets[TARGET].configured is not None

    worse = Learned(ELEMENTS.epoch, -2.0, 0.0, 0.0, 0.0, 0.0, 1)
    write(scene, replace(corrected_elements(ELEMENTS, worse), element_set_number=8))
    await watch.daemon.reload()
    await watch.settle()
    assert watch.daemon.state.targets[TARGET].configured is not None

    better = Learned(ELEMENTS.epoch, EARLY_S, 0.0, 0.0, 0.0, 0.0, 1)
    newer = replace(corrected_elements(ELEMENTS, better), element_set_number=9)
    write(scene, newer)
    await watch.daemon.reload()
    await watch.settle()
    assert watch.daemon.state.targets[TARGET].configured is None
    assert abs(watch.daemon.state.targets[TARGET].elements[0].epoch - ELEMENTS.epoch) < DAY_S
    await watch.end()
