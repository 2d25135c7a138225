"""Planned against actual, from a real configuration and a real ledger."""

from __future__ import annotations

import csv
import json
import os
import statistics
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from orbits import invented
from scene import Scene, now, step

from contactd.core import record as kinds
from contactd.core.instants import to_text
from contactd.core.orbit import format_omm, format_tle
from contactd.core.record import Record
from contactd.core.sequences.model import Delay, Sequence, Step
from contactd.mission.bodies import reading, step_seen
from contactd.records import Ledger

CONTACTD = Path(sys.executable).with_name("contactd")
SUBJECT = "Quiet Lantern/wake-up"


def laid(tmp_path: Path) -> Scene:
    settings = {"store": {"url": f"sqlite:///{tmp_path}/ledger.sqlite"}}
    scene = Scene(tmp_path, 1, settings)
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=-600), step("mast up", in_s=-300)])
    return scene


def enter(scene: Scene, *records: Record) -> None:
    with Ledger.open(f"sqlite:///{scene.folder}/ledger.sqlite") as ledger:
        ledger.append(list(records))


def review(scene: Scene, *arguments: str) -> dict:
    command = [CONTACTD, "review", "--config", scene.config, "--format", "json", *arguments]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_step_that_was_seen_is_compared_with_its_plan(tmp_path: Path) -> None:
    scene, at = laid(tmp_path), now()
    sequence = Sequence(
        "Quiet Lantern",
        "wake-up",
        (Step("beacon on", Delay(fixed_s=3000.0)), Step("mast up", Delay(fixed_s=3300.0))),
    )
    body = step_seen(sequence, "beacon on", at - 590, recorded_at=at, earliest=at - 610)
    enter(scene, Record(at, kinds.STEP_SEEN, f"{SUBJECT}/beacon on", "Ada Quill", body))
    steps = {each["step"]: each for each in review(scene)["steps"]}
    seen = steps[f"{SUBJECT}/beacon on"]
    assert seen["within"] is True
    assert abs(seen["residual_s"]) < 5.0
    assert seen["status"] == "seen"
    unseen = steps[f"{SUBJECT}/mast up"]
    assert unseen["seen"] is None
    assert unseen["within"] is None


def test_a_reading_is_compared_with_the_plan(tmp_path: Path) -> None:
    scene, at = laid(tmp_path), now()
    sequence = Sequence("Quiet Lantern", "wake-up", (Step("beacon on", Delay(fixed_s=3000.0)),))
    body = reading(
        sequence, "beacon on", at - 1200, recorded_at=at, remaining_s=630.0, error_s=60.0
    )
    enter(scene, Record(at, kinds.READING, f"{SUBJECT}/beacon on", "Ada Quill", body))
    (found,) = review(scene)["readings"]
    assert found["residual_s"] == pytest.approx(30.0, abs=5.0)


def test_contacts_that_newer_elements_moved_show_by_how_much(tmp_path: Path) -> None:
    scene, at = laid(tmp_path), now()
    epoch = at - 7200
    then = invented(epoch=epoch, name="Low Lantern")
    late_s = 20.0
    present = replace(then, epoch=epoch + late_s)
    scene.write(
        "targets/low.yaml",
        {"name": "Low Lantern", "elements": {"tle": "\n".join(format_tle(present))}},
    )
    body = {"source": "earlier", "epochs": [to_text(epoch, 6)], "omm": format_omm(then, "json")}
    enter(
        scene,
        Record(at - 86_000, kinds.ELEMENTS_ADOPTED, "Low Lantern", "contactd", body),
    )
    contacts = review(scene, "--target", "Low Lantern", "--from", "-20h")["contacts"]
    moved = [each["residual_s"] for each in contacts if each["residual_s"] is not None]
    assert moved
    # The Earth turns meanwhile, which moves low passes by some seconds more or less.
    assert statistics.median(moved) == pytest.approx(late_s, abs=1.5)
    assert all(0.0 < each < 2 * late_s for each in moved)


def test_a_contact_that_was_missed_says_why(tmp_path: Path) -> None:
    scene, at = laid(tmp_path), now()
    body = {"station": "Under Point", "at": to_text(at - 600, 6), "why": "snow on the dish"}
    enter(scene, Record(at, kinds.CONTACT_MISSED, "Quiet Lantern", "Ada Quill", body))
    contacts = review(scene, "--target", "Quiet Lantern", "--from", "-2h")["contacts"]
    missed = [each["missed"] for each in contacts if each["station"] == "Under Point"]
    assert missed == ["snow on the dish"]


def test_a_review_up_to_an_earlier_time_counts_nothing_that_was_recorded_later(
    tmp_path: Path,
) -> None:
    scene, at = laid(tmp_path), now()
    sequence = Sequence("Quiet Lantern", "wake-up", (Step("beacon on", Delay(fixed_s=3000.0)),))
    body = reading(
        sequence, "beacon on", at - 1200, recorded_at=at, remaining_s=630.0, error_s=60.0
    )
    missed = {"station": "Under Point", "at": to_text(at - 1200, 6), "why": "snow on the dish"}
    enter(
        scene,
        Record(at - 600, kinds.READING, f"{SUBJECT}/beacon on", "Ada Quill", body),
        Record(at - 500, kinds.CONTACT_MISSED, "Quiet Lantern", "Ada Quill", missed),
    )

    def told(to: str) -> tuple[int, set[str | None]]:
        found = review(scene, "--from", "-2h", "--to", to, "--target", "Quiet Lantern")
        return len(found["readings"]), {each["missed"] for each in found["contacts"]}

    assert told("-12min") == (0, {None})
    assert told("now") == (1, {"snow on the dish"})


def test_a_review_is_csv_too_and_counts_the_alarms_of_each_day(tmp_path: Path) -> None:
    scene = laid(tmp_path)
    body = {
        "identity": "a", "kind": "step-uncovered", "sort": "condition", "severity": "warning",
        "target": "Quiet Lantern", "what": "Uncovered.", "do": "Controller: act.", "notice": "",
        "due": to_text(now()), "moment": to_text(now()), "over_at": None, "facts": {},
        "late": False, "channels": ["log"], "series": "step-uncovered|a", "begins": None,
        "ends": None, "lead_s": 0.0, "rests_on": "",
    }  # fmt: skip
    enter(scene, Record(now() - 900.0, kinds.ALERT_RAISED, "Quiet Lantern", "contactd", body))
    command = [CONTACTD, "review", "--config", scene.config, "--from", "-2h"]
    done = subprocess.run([*command, "--format", "csv"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    rows = list(csv.DictReader(done.stdout.splitlines()))
    assert {"contacts", "alerts", "alarms"} <= {row["section"] for row in rows}
    alarms = [row for row in rows if row["section"] == "alarms"]
    assert sum(int(row["alarms"]) for row in alarms if row["role"] == "Controller") == 1
    environment = {**os.environ, "COLUMNS": "120"}
    shown = subprocess.run(command, capture_output=True, text=True, env=environment)
    assert "Alarms that demand action" in shown.stdout
    assert "1 step-uncovered" in shown.stdout
