"""No change of a file takes from sight what runs, unless a record says so, restart or not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from scene import Scene, now, step
from watch import Watch

from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.service.clock import SimulatedClock

HAZARD = {"hazard": "deployment", "keep_clear": {"before": "2min", "after": "10min"}}
SUBJECT = "Quiet Lantern/wake-up"
FILE = "targets/quiet-lantern.yaml"


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    laid = Scene(tmp_path, 1, {"alerts": {"step_lead": ["5min"]}})
    laid.write_target(
        "Quiet Lantern",
        [
            step("boom out", in_s=4200.0, service="command", **HAZARD),
            step("ranging on", in_s=1200.0, service="ranging"),
        ],
    )
    return laid


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(now())


def changed(scene: Scene, change: Callable[[Any], None]) -> None:
    """Edit the target's file, keeping the rest as it is."""
    content = yaml.safe_load((scene.config / FILE).read_text())
    change(content)
    scene.write(FILE, content)


def sequence(content: Any) -> Any:
    return content["sequences"][0]


def unlink(scene: Scene) -> None:
    (scene.config / FILE).unlink()


def to_bak(scene: Scene) -> None:
    (scene.config / FILE).rename(scene.config / f"{FILE}.bak")


def folder_gone(scene: Scene) -> None:
    unlink(scene)
    (scene.config / "targets").rmdir()


def broken(scene: Scene) -> None:
    scene.write(FILE, "name: Quiet Lantern\nsequences: [")


def edited(change: Callable[[Any], None]) -> Callable[[Scene], None]:
    return lambda scene: changed(scene, change)


def pending(content: Any) -> None:
    sequence(content)["start"] = {"status": "pending"}


def slower(content: Any) -> None:
    sequence(content)["steps"][0]["delay"] = "2d"


def harmless(content: Any) -> None:
    for key in HAZARD:
        del sequence(content)["steps"][0][key]


def less_clear(content: Any) -> None:
    sequence(content)["steps"][0]["keep_clear"] = {"before": "1min", "after": "10min"}


def no_stop(content: Any) -> None:
    sequence(content)["steps"][1]["stop"] = {"lead": "10s"}


def step_gone(content: Any) -> None:
    del sequence(content)["steps"][0]


def step_renamed(content: Any) -> None:
    sequence(content)["steps"][0]["name"] = "boom away"


def sequence_gone(content: Any) -> None:
    del content["sequences"]


def sequence_renamed(content: Any) -> None:
    sequence(content)["name"] = "get up"


def another_clock(content: Any) -> None:
    sequence(content)["clock"] = {"rate_error_ppm": 3}


FILES = {
    "deleted": (unlink, ["file: aboard watched, targets/quiet-lantern.yaml says no such file"]),
    "renamed to .bak": (to_bak, ["file: aboard watched"]),
    "folder gone": (folder_gone, ["file: aboard watched"]),
    "broken": (broken, []),
}
EDITS = {
    "start back to pending": (pending, ["start: aboard observed"]),
    "delay": (slower, ["delay: aboard 2h 10min, targets/quiet-lantern.yaml:14 says 2d"]),
    "hazard": (harmless, ["'boom out': hazard: aboard deployment", "'boom out': keep_clear"]),
    "keep-clear shorter": (less_clear, ["aboard 2min before to 10min after"]),
    "stop": (no_stop, ["'ranging on': stop: aboard nothing"]),
    "step deleted": (step_gone, ["step 'boom out': aboard runs", "says nothing"]),
    "step renamed": (step_renamed, ["step 'boom out': aboard", "step 'boom away': aboard nothing"]),
    "sequence deleted": (sequence_gone, ["sequence 'wake-up': aboard watched"]),
    "sequence renamed": (sequence_renamed, ["sequence 'wake-up': aboard watched"]),
    "clock": (another_clock, ["clock: aboard"]),
}  # fmt: skip
ALL = {**FILES, **{name: (edited(change), told) for name, (change, told) in EDITS.items()}}


async def reloaded(watch: Watch) -> None:
    """Look at the files until they hold still, and plan anew."""
    for _ in range(4):
        await watch.daemon.look_at_files()
        await watch.beats(1)


def boom(watch: Watch) -> Any:
    """The hazardous step as every face sees it."""
    outlook = watch.daemon.snapshot().targets["Quiet Lantern"]
    forecast = next(each for each in outlook.forecasts if each.sequence == "wake-up")
    return next(each for each in forecast.steps if each.step == "boom out")


def seen(watch: Watch) -> tuple[Any, ...]:
    found = boom(watch)
    return found.earliest, found.latest, found.keep_clear, found.hazard, found.status


def told(watch: Watch) -> list[str]:
    return [each.body["what"] for each in watch.raised("definition-differs")]


def ends(watch: Watch) -> list[str]:
    resolved = watch.records(kinds.ALERT_RESOLVED)
    return [each.body["identity"].rpartition("-")[0] for each in resolved]


@pytest.mark.parametrize("down", [False, True], ids=["running", "while it was down"])
@pytest.mark.parametrize("how", ALL)
async def test_what_runs_stays_watched_and_the_contradiction_is_named(
    scene: Scene, clock: SimulatedClock, how: str, *, down: bool
) -> None:
    change, wanted = ALL[how]
    watch = Watch(scene.config, clock)
    await watch.begin()
    assert watch.raised("step-uncovered")
    before = seen(watch)
    if down:
        await watch.end()
        change(scene)
        await clock.advance(5.0)
        watch = Watch(scene.config, clock)
        await watch.begin()
    else:
        change(scene)
        await reloaded(watch)
    # And once more, since what is kept must not rest on what the process remembers.
    await watch.end()
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(5)
    assert seen(watch) == before
    for text in wanted:
        assert any(text in each for each in told(watch)), told(watch)
    assert ends(watch) == []
    assert watch.daemon.health().ready
    if how == "broken":
        assert watch.raised("configuration-refused")
        assert told(watch) == []
    else:
        graves = {each.body["severity"] for each in watch.raised("definition-differs")}
        assert graves == {"warning"}
    await watch.end()


def stated(kind: str, subject: str, now_s: float, **body: Any) -> Record:
    return Record(now_s, kind, subject, "Ada", body)


@pytest.mark.parametrize("how", EDITS)
async def test_a_confirmed_definition_is_in_force(
    scene: Scene, clock: SimulatedClock, how: str
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    ALL[how][0](scene)
    await reloaded(watch)
    raised = watch.raised("definition-differs")
    assert raised
    gone = how in ("sequence deleted", "sequence renamed")
    kind = kinds.RETIRED if gone else kinds.DEFINITION_CONFIRMED
    await watch.daemon.commit([stated(kind, SUBJECT, clock.now())])
    await watch.settle()
    await watch.beats(2)
    assert watch.daemon.snapshot().contradictions == ()
    assert ends(watch).count("definition-differs") == len(raised)
    configured = watch.daemon.watch._keeper.filed.targets["Quiet Lantern"]
    assert watch.daemon.state.targets["Quiet Lantern"] == configured
    await watch.end()


async def test_a_target_that_is_retired_is_let_go_with_all_that_was_told_of_it(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    unlink(scene)
    await reloaded(watch)
    await watch.daemon.commit([stated(kinds.RETIRED, "Quiet Lantern", clock.now())])
    await watch.settle()
    await watch.beats(2)
    assert not watch.daemon.snapshot().targets
    raised = {each.body["identity"] for each in watch.raised() if each.body["sort"] == "condition"}
    resolved = watch.records(kinds.ALERT_RESOLVED)
    assert raised == {each.body["identity"] for each in resolved}
    assert {each.body["why"] for each in resolved} <= {"retired", "ended"}
    await watch.end()
    again = Watch(scene.config, clock)
    await again.begin()
    assert not again.daemon.snapshot().targets
    await again.end()


@pytest.mark.parametrize(
    ("kind", "subject", "body"),
    [
        (kinds.START_REFUTED, SUBJECT, {"why": "the crew looked"}),
        (kinds.SEQUENCE_STOPPED, SUBJECT, {"at": "now"}),
        (kinds.STEP_SEEN, "both", {"at": "now"}),
    ],
)
async def test_what_has_ended_by_a_record_is_as_the_file_says(
    scene: Scene, clock: SimulatedClock, kind: str, subject: str, body: dict[str, Any]
) -> None:
    from contactd.core.instants import to_text

    watch = Watch(scene.config, clock)
    await watch.begin()
    changed(scene, slower)
    await reloaded(watch)
    assert watch.daemon.snapshot().contradictions
    given = {
        key: to_text(clock.now() - 1.0) if value == "now" else value for key, value in body.items()
    }
    names = ["boom out", "ranging on"] if subject == "both" else []
    subjects = [f"{SUBJECT}/{name}" for name in names] or [subject]
    await watch.daemon.commit([stated(kind, each, clock.now(), **given) for each in subjects])
    await watch.settle()
    assert watch.daemon.snapshot().contradictions == ()
    await watch.end()


async def test_what_widens_a_hazard_counts_at_once(scene: Scene, clock: SimulatedClock) -> None:
    def wider(content: Any) -> None:
        first, second = sequence(content)["steps"]
        first["keep_clear"] = {"before": "20min", "after": "10min"}
        second["hazard"] = "radiation"

    watch = Watch(scene.config, clock)
    await watch.begin()
    before = boom(watch).keep_clear
    changed(scene, wider)
    await reloaded(watch)
    after = boom(watch)
    assert after.keep_clear == (before[0] - 1080.0, before[1])
    outlook = watch.daemon.snapshot().targets["Quiet Lantern"]
    assert outlook.forecasts[0].steps[1].hazard == "radiation"
    assert told(watch) == []
    await watch.end()


async def test_what_cannot_be_watched_any_more_makes_the_service_not_ready(
    scene: Scene, clock: SimulatedClock
) -> None:
    watch = Watch(scene.config, clock)
    await watch.begin()
    body = dict(watch.records(kinds.DEFINITION_ADOPTED)[-1].body)
    unreadable = {**body["files"][0], "text": None, "digest": "0" * 64}
    lost = stated(
        kinds.DEFINITION_ADOPTED, "Quiet Lantern", clock.now(), **body | {"files": [unreadable]}
    )
    await watch.daemon.commit([replace(lost, author="contactd")])
    await watch.end()
    unlink(scene)
    scene.write("targets/moth.yaml", "name: [")
    watch = Watch(scene.config, clock)
    await watch.begin()
    await watch.beats(3)
    health = watch.daemon.health()
    assert not health.ready
    assert any("Quiet Lantern is not watched: the copy of" in each for each in health.reasons)
    assert any("targets/moth.yaml is not watched" in each for each in health.reasons)
    assert len(watch.raised("not-watched")) == 2
    assert ends(watch) == []
    await watch.end()


async def test_settings_that_are_deleted_or_broken_stay_in_force(
    scene: Scene, clock: SimulatedClock
) -> None:
    channel = {"kind": "webhook", "name": "desk", "url": "http://127.0.0.1:9/"}
    scene.write("contactd.yaml", {"channels": [channel]})
    watch = Watch(scene.config, clock)
    await watch.begin()
    copy = scene.folder / "kept" / "contactd.yaml"
    assert copy.stat().st_mode & 0o777 == 0o600

    def channels() -> list[str]:
        return [each.channel for each in watch.daemon.effects.channels()]

    assert channels() == ["log", "desk"]
    for spoil in (lambda path: path.unlink(), lambda path: path.write_text("channels: [")):
        spoil(scene.config / "contactd.yaml")
        await reloaded(watch)
        assert channels() == ["log", "desk"]
        assert watch.raised("configuration-refused")
        await watch.end()
        watch = Watch(scene.config, clock)
        await watch.begin()
        assert channels() == ["log", "desk"]
    # An empty file is somebody's word that the defaults are meant.
    scene.write("contactd.yaml", "")
    await reloaded(watch)
    assert channels() == ["log"]
    await watch.end()
