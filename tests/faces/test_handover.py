"""The shift handover, from a real configuration and a real ledger."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from scene import Scene, now, step

from contactd.core import record as kinds
from contactd.core.contacts.contact import Coverage
from contactd.core.instants import from_text, to_text
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.core.record import Record
from contactd.core.sequences.model import SequenceForecast, Start, StepForecast, StepStatus
from contactd.faces.handover import Handover, gather
from contactd.faces.handover.render import when
from contactd.mission.bodies import start_attempted
from contactd.records import Ledger

CONTACTD = Path(sys.executable).with_name("contactd")
SUBJECT = "Quiet Lantern/wake-up"


@pytest.fixture
def scene(tmp_path: Path) -> Scene:
    laid = Scene(tmp_path, 1, {"store": {"url": f"sqlite:///{tmp_path}/ledger.sqlite"}})
    laid.write_target(
        "Quiet Lantern",
        [
            step("receiver on", in_s=3600),
            step("beacon on", in_s=7200, service="ranging"),
            step("late step", in_s=20 * 3600),
            step(
                "mast up",
                in_s=10_800,
                hazard="deployment",
                keep_clear={"before": "5min", "after": "10min", "zone": "200 m"},
            ),
        ],
    )
    return laid


def handover(scene: Scene, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [CONTACTD, "handover", "--config", scene.config, *arguments]
    environment = {**os.environ, "COLUMNS": "80"}
    return subprocess.run(command, capture_output=True, text=True, env=environment)


def told(scene: Scene) -> dict:
    done = handover(scene, "--format", "json", "--next", "8h")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def enter(scene: Scene, kind: str, subject: str, body: dict, ago_s: float = 60.0) -> None:
    with Ledger.open(f"sqlite:///{scene.folder}/ledger.sqlite") as ledger:
        ledger.append([Record(now() - ago_s, kind, subject, "Ada Quill", body)])


def test_what_is_coming_is_in_order_and_only_of_the_next_shift(scene: Scene) -> None:
    coming = told(scene)["coming"]
    assert [each["at"] for each in coming] == sorted(each["at"] for each in coming)
    about = {each["about"] for each in coming}
    assert f"{SUBJECT}/receiver on" in about
    assert f"{SUBJECT}/late step" not in about
    [out] = [each for each in coming if each["about"] == f"{SUBJECT}/beacon on"]
    assert (out["kind"], out["decision"], out["severity"]) == ("expiry", True, "warning")
    clear = [each for each in coming if each["kind"] == "keep clear"]
    assert [each["about"] for each in clear] == [f"{SUBJECT}/mast up"]
    assert "200 m" in clear[0]["what"]


def test_what_never_sets_is_in_view_beyond_the_predictions_end(scene: Scene) -> None:
    [window] = [each for each in told(scene)["coming"] if each["kind"] == "command window"]
    assert "in view beyond the prediction's end" in window["what"]


def test_decisions_of_the_shift_name_who_took_them_and_older_ones_are_left_out(
    scene: Scene,
) -> None:
    body = {"text": "Asked a ship to listen."}
    enter(scene, kinds.REMARK, "contactd", {"text": "Long ago."}, ago_s=2 * 86_400)
    enter(scene, kinds.REMARK, "contactd", body)
    enter(scene, kinds.COMMAND_SENT, SUBJECT, {"at": "2026-01-01T00:00:00Z", "command": "STOP"})
    given = told(scene)
    assert [each["what"] for each in given["changed"]] == ["a remark: Asked a ship to listen."]
    assert [(each["what"], each["who"]) for each in given["decided"]] == [
        ("a command was sent: STOP, 2026-01-01 00:00:00Z", "Ada Quill")
    ]


def test_a_start_in_doubt_is_open_for_the_next_shift(scene: Scene) -> None:
    at = now()
    scene.write_target("Quiet Lantern", [])
    scene.write_target(
        "Quiet Lantern",
        sequences=[{"name": "wake-up", "steps": [step("receiver on", in_s=3600)]}],
    )
    body = start_attempted(at - 900, at - 600, recorded_at=at)
    enter(scene, kinds.START_ATTEMPTED, SUBJECT, body, ago_s=0.0)
    given = told(scene)
    assert any("in doubt" in each["what"] for each in given["open"])


def test_hazardous_steps_bring_the_caution_that_it_only_advises(scene: Scene) -> None:
    for form in ("table", "markdown"):
        written = handover(scene, "--format", form).stdout
        assert "does not certify safety" in " ".join(written.split())


def test_the_table_fits_eighty_columns_and_the_sheet_is_a_pdf(scene: Scene) -> None:
    table = handover(scene)
    assert table.returncode == 0, table.stderr
    assert max(len(line) for line in table.stdout.splitlines()) <= 80
    sheet = scene.folder / "handover.pdf"
    assert handover(scene, "--format", "pdf", "--output", str(sheet)).returncode == 0
    assert sheet.read_bytes().startswith(b"%PDF-")


def test_what_somebody_wrote_cannot_break_out_of_the_markdown_table(scene: Scene) -> None:
    enter(scene, kinds.REMARK, "contactd", {"text": "a | b <img src=x>\nc"})
    written = handover(scene, "--format", "markdown").stdout
    line = next(each for each in written.splitlines() if "a \\| b" in each)
    assert "&lt;img" in line
    assert line.count(" | ") == 3


def test_a_handover_at_an_earlier_time_knows_nothing_that_was_recorded_later(
    scene: Scene,
) -> None:
    enter(scene, kinds.REMARK, "contactd", {"text": "Iced over."}, ago_s=3000.0)
    body = {"why": "ice", "earliest": to_text(now() - 900), "latest": to_text(now() - 900)}
    enter(scene, kinds.SEQUENCE_HELD, SUBJECT, body, ago_s=600.0)

    def at(moment: str) -> tuple[list[str], list[str]]:
        done = handover(scene, "--format", "json", "--at", moment)
        assert done.returncode == 0, done.stderr
        found = json.loads(done.stdout)
        return [each["what"] for each in found["decided"]], [
            each["what"] for each in found["known"] if each["about"] == f"{SUBJECT}/mast up"
        ]

    assert at("-30min") == ([], ["running, covered"])
    decided, known = at("now")
    [held] = decided
    assert held.startswith("countdowns are held, ")
    assert held.endswith(": ice")
    assert known == ["hold"]


NOW = from_text("2026-12-03T10:00:00Z")


def made(step: StepForecast, windows: IntervalSet = EMPTY) -> Handover:
    forecast = SequenceForecast("Lantern 3", "wake-up", Start(), (step,), hazardous=True)
    outlook = TargetOutlook(
        "Lantern 3",
        (NOW - 3600.0, NOW + 86_400.0),
        services={"command": {"Hill": Coverage(nominal=windows)}},
        forecasts=(forecast,),
    )
    return gather([], Snapshot(NOW, targets={"Lantern 3": outlook}), {}, NOW, NOW, NOW + 4500.0)


def test_a_window_that_goes_on_after_the_shift_says_until_when() -> None:
    windows = IntervalSet([NOW + 3600.4], [NOW + 7200.6])
    [window] = [item for item in made(AWKWARD, windows).coming if item.kind == "command window"]
    assert window.what == "command window with Hill, continues to 12:00:00Z"
    assert when(window) == "2026-12-03 11:00:01Z to 12:00:00Z"


def test_times_in_the_handover_are_on_the_safe_side_and_a_stop_names_its_step() -> None:
    given = made(AWKWARD)
    told = {item.kind: when(item) for item in given.coming}
    assert told == {
        "stop by": "2026-12-03 10:30:00Z",
        "keep clear": "2026-12-03 10:55:00Z to 11:11:01Z",
        "expiry": "2026-12-03 11:00:00Z to 11:01:01Z",
    }
    [stop] = [item for item in given.coming if item.kind == "stop by"]
    assert stop.stops == "antenna release"
    assert '"stop antenna release" through Hill' in stop.what


AWKWARD = StepForecast(
    "Lantern 3",
    "wake-up",
    "beacon on",
    StepStatus.RUNNING,
    earliest=NOW + 3600.7,
    nominal=NOW + 3630.0,
    latest=NOW + 3660.2,
    stop_by=NOW + 1800.999,
    stop_station="Hill",
    stops="antenna release",
    stop_certain=True,
    stop_possible=True,
    keep_clear=(NOW + 3300.9, NOW + 4260.1),
    hazard="deployment",
)


def test_what_was_learned_is_told_in_the_words_of_its_statement(scene: Scene) -> None:
    enter(scene, kinds.SETTING_CHOSEN, f"{SUBJECT}/beacon on", {"setting_s": 7200.0})
    enter(scene, kinds.POWER_LOSS, SUBJECT, start_attempted(now(), now(), recorded_at=now()))
    given = told(scene)
    assert "a timer was set to 2 h" in [each["what"] for each in given["decided"]]
    assert any(each["what"].startswith("power was lost aboard, ") for each in given["changed"])


def test_its_lines_are_csv_too(scene: Scene) -> None:
    done = handover(scene, "--format", "csv")
    assert done.returncode == 0, done.stderr
    rows = list(csv.DictReader(done.stdout.splitlines()))
    given = told(scene)
    names = ("open", "coming", "known", "changed", "decided")
    counts = {name: sum(row["section"] == name for row in rows) for name in names}
    assert counts == {name: len(given[name]) for name in names}
    assert {row["about"] for row in rows if row["kind"] == "keep clear"} == {f"{SUBJECT}/mast up"}


def raised(identity: str, do: str) -> dict:
    """The body of an alert that was raised a minute ago."""
    at = to_text(now() - 60.0, 6)
    return {
        "identity": identity, "kind": "step-uncovered", "sort": "condition", "severity": "warning",
        "target": "Quiet Lantern", "what": "Uncovered.", "do": do, "notice": "", "due": at,
        "moment": at, "over_at": None, "facts": {}, "late": False, "channels": ["log"],
        "series": f"step-uncovered|{identity}", "begins": None, "ends": None, "lead_s": 0.0,
        "rests_on": "",
    }  # fmt: skip


def test_the_alarms_of_the_shift_are_counted_for_each_role(scene: Scene) -> None:
    for number, role in enumerate(("Controller", "Controller", "Crew lead")):
        body = raised(f"step-uncovered-{number}", f"{role}: act now.")
        enter(scene, kinds.ALERT_RAISED, SUBJECT, body)
    acknowledged = {"identity": "step-uncovered-0"}
    enter(scene, kinds.ALERT_ACKNOWLEDGED, SUBJECT, acknowledged, ago_s=30.0)
    figures = {each["role"]: each for each in told(scene)["alarms"]}
    assert {role: each["alarms"] for role, each in figures.items()} == {
        "everyone": 3, "Controller": 2, "Crew lead": 1,
    }  # fmt: skip
    assert figures["Controller"]["acknowledged"] == 1
    text = handover(scene, "--format", "markdown").stdout
    assert "## Alarms of the shift" in text
    assert "| Crew lead | 1 |" in text
