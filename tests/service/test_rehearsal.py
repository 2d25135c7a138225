"""Rehearsals: the shipped scripts hold, and nothing real is touched."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import pytest
import yaml
from receivers import WebhookReceiver
from scene import Scene, now, step

from contactd.config.rehearsal import load_script
from contactd.core import instants
from contactd.core.errors import InputErrors
from contactd.core.record import Record
from contactd.records import Ledger
from contactd.service.rehearsal import Rehearsal

PROJECT = Path(__file__).resolve().parents[2]
SCRIPTS = sorted((PROJECT / "config" / "rehearsals").glob("*.yaml"))
CONTACTD = Path(sys.executable).with_name("contactd")
BEGINS = "2026-12-03T08:00:00Z"


def play(script: Path, tmp_path: Path):
    folder = tmp_path / "rehearsal"
    folder.mkdir()
    rehearsal = Rehearsal(load_script(script), folder, script.parent)
    return rehearsal, rehearsal.play()


def written(tmp_path: Path, **content) -> Path:
    path = tmp_path / "script.yaml"
    path.write_text(yaml.safe_dump({"title": "Try", "begins": BEGINS, "lasts": "2min", **content}))
    return path


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.stem)
def test_what_the_shipped_scripts_expect_holds(script: Path, tmp_path: Path) -> None:
    _, report = play(script, tmp_path)
    assert report.judgements
    assert [each for each in report.judgements if not each.held] == []


def test_an_expectation_that_is_not_met_is_reported_and_is_the_exit_code(tmp_path: Path) -> None:
    script = written(
        tmp_path,
        expectations=[
            {"by": "1min", "alert": "step-uncovered"},
            {"by": "1min", "acknowledged": "step-uncovered"},
            {"by": "1min", "never": "step-uncovered"},
        ],
    )
    done = subprocess.run(
        [CONTACTD, "rehearse", script, "--format", "json"], capture_output=True, text=True
    )
    assert done.returncode == 1, done.stderr
    report = json.loads(done.stdout)
    assert [each["held"] for each in report["expectations"]] == [True, False, False]


def test_every_record_and_alert_of_a_rehearsal_says_so(tmp_path: Path) -> None:
    rehearsal, _ = play(written(tmp_path), tmp_path)
    with Ledger.open(rehearsal.url) as ledger:
        records = list(ledger.records())
    assert all(record.body["rehearsal"] == "Try" for record in records)
    told = [record.body["what"] for record in records if record.kind == "alert-raised"]
    assert told
    assert all(what.startswith("REHEARSAL: ") for what in told)
    assert rehearsal.registry.get_sample_value("contactd_rehearsal", {"title": "Try"}) == 1


def test_a_rehearsal_touches_neither_the_real_ledger_nor_the_real_channels(
    tmp_path: Path,
) -> None:
    receiver = WebhookReceiver().start()
    channel = {"kind": "webhook", "name": "desk", "url": receiver.url}
    scene = Scene(tmp_path / "real", 1, {"channels": [channel]})
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=7200, service="ranging")])
    real = scene.folder / "var" / "ledger.sqlite"
    with Ledger.open(f"sqlite:///{real}") as ledger:
        ledger.append([Record(0.0, "remark", "contactd", "Ada Quill", {"text": "real"})])
    before = {path: digest(path) for path in sorted(scene.folder.rglob("*")) if path.is_file()}
    begins = instants.to_text(now())
    script = written(tmp_path, config="real/config", begins=begins)
    rehearsal, report = play(script, tmp_path)
    assert any("beacon on" in line.what for line in report.timeline)
    assert receiver.received == []
    after = {path: digest(path) for path in sorted(scene.folder.rglob("*")) if path.is_file()}
    assert after == before
    settings = rehearsal.configuration.settings
    assert settings.channels == ()
    assert str(real) not in rehearsal.configuration.store_url
    assert rehearsal.configuration.feeds == {}
    receiver.stop()


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        ({"events": [{"after": "1min"}]}, "0 of them"),
        ({"events": [{"after": "3min", "pause": True}]}, "within the rehearsal"),
        ({"events": [{"after": "1min", "say": {"hold": {"at": "now"}}}]}, "Field required"),
        ({"events": [{"after": "1min", "say": {"holt": {}}}]}, "one of start, attempt"),
        ({"expectations": [{"by": "1min"}]}, "one of alert, acknowledged, recorded, never"),
        ({"expectations": [{"by": "1min", "never": "step-uncoverd"}]}, "step-uncovered"),
        ({"expectations": [{"by": "1min", "recorded": "alert-rased"}]}, "alert-raised"),
        (
            {"events": [{"after": "1min", "acknowledge": {"alert": "step", "by": "A"}}]},
            "kind of alert",
        ),
        ({"events": [{"after": "1min", "clokc": {"back": "1min"}}]}, "clock"),
    ],
)
def test_a_script_that_is_wrong_is_refused_with_its_place(
    tmp_path: Path, content: dict, complaint: str
) -> None:
    path = written(tmp_path, **content)
    with pytest.raises(InputErrors, match=complaint) as refused:
        load_script(path)
    assert refused.value.errors[0].line > 0


def test_an_acknowledged_alert_stays_as_it_is_when_a_station_drops_out(tmp_path: Path) -> None:
    script = written(
        tmp_path,
        events=[
            {"after": "30s", "acknowledge": {"alert": "step-uncovered", "by": "Ada Quill"}},
            {"after": "1min", "station_out": {"station": "Mesa Roja", "lasts": "1min"}},
        ],
        expectations=[{"by": "1min", "acknowledged": "step-uncovered"}],
    )
    rehearsal, report = play(script, tmp_path)
    assert all(each.held for each in report.judgements)
    with Ledger.open(rehearsal.url) as ledger:
        records = list(ledger.records())
    adopted = [each for each in records if each.kind == "configuration-adopted"]
    assert len(adopted) == 2
    told = [each for each in records if each.kind in ("alert-resolved", "alert-raised")]
    assert [each for each in told if each.at >= adopted[-1].at] == []


def test_a_cause_stands_before_its_effects_also_when_the_clock_was_set_back(
    tmp_path: Path,
) -> None:
    script = written(
        tmp_path,
        events=[
            {"after": "30s", "clock": {"back": "20s"}},
            {"after": "40s", "by": "Ada", "say": {"remark": {"text": "The clock jumped."}}},
        ],
        expectations=[{"by": "31s", "alert": "clock-not-trusted"}],
    )
    _, report = play(script, tmp_path)
    told = [each.what for each in report.timeline]
    cause = told.index("the clock was set by -20 s")
    effect = next(n for n, what in enumerate(told) if "clock" in what and "caution" in what.lower())
    entered = told.index("entered by Ada: remark, contactd")
    assert cause < effect < entered
    times = [each.after_s for each in report.timeline]
    assert times == sorted(times)
    [judged] = report.judgements
    assert judged.held
    assert judged.met_s is not None
    assert judged.met_s >= 30.0


@pytest.mark.parametrize(("budget", "held"), [({}, True), ({"peak_per_10min": 0}, False)])
def test_a_budget_of_alarms_is_an_expectation_for_each_role(
    tmp_path: Path, budget: dict, held: bool
) -> None:
    _, report = play(written(tmp_path, alarms={"mean_per_10min": 100, **budget}), tmp_path)
    assert report.alarms[0].role == "everyone"
    assert report.alarms[0].alarms > 0
    assert len(report.judgements) == len(report.alarms) - 1 > 0
    assert {each.held for each in report.judgements} == {held}
    assert report.all_held is held
    assert report.as_json()["alarms"][0]["alarms"] == report.alarms[0].alarms


@pytest.mark.benchmark  # some forty seconds: by hand
def test_a_whole_day_at_once_ends_with_its_report(tmp_path: Path) -> None:
    scene = Scene(tmp_path / "day", 1, {})
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=7200, service="ranging")])
    script = written(
        tmp_path,
        config="day/config",
        begins=instants.to_text(now()),
        lasts="24h",
        events=[{"after": "23h 59min", "say": {"remark": {"text": "Nearly over."}}}],
        expectations=[{"by": "24h", "recorded": "remark"}],
    )
    _, report = play(script, tmp_path)
    assert report.lasted_s == pytest.approx(86_400.0, abs=2.0)
    assert report.all_held
