"""The shift handover, from a real configuration and a real ledger."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from scene import Scene, now, step

from contactd.core import record as kinds
from contactd.core.record import Record
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
                keep_clear={"before": "5min", "after": "10min"},
            ),
        ],
    )
    return laid


def handover(scene: Scene, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [CONTACTD, "handover", "--config", scene.config, *arguments]
    return subprocess.run(command, capture_output=True, text=True, env={"COLUMNS": "80"})


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
    out = [each["what"] for each in coming if each["about"] == f"{SUBJECT}/beacon on"]
    assert any("OUT OF VIEW" in what for what in out)
    clear = [each for each in coming if each["what"] == "nobody may be near"]
    assert [each["about"] for each in clear] == [f"{SUBJECT}/mast up"]


def test_decisions_of_the_shift_name_who_took_them_and_older_ones_are_left_out(
    scene: Scene,
) -> None:
    body = {"text": "Asked a ship to listen."}
    enter(scene, kinds.REMARK, "contactd", {"text": "Long ago."}, ago_s=2 * 86_400)
    enter(scene, kinds.REMARK, "contactd", body)
    enter(scene, kinds.COMMAND_SENT, SUBJECT, {"at": "2026-01-01T00:00:00Z", "command": "STOP"})
    given = told(scene)
    assert [each["what"] for each in given["changed"]] == ["remark: Asked a ship to listen."]
    assert [(each["what"], each["who"]) for each in given["decided"]] == [
        ("command sent: STOP", "Ada Quill")
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
