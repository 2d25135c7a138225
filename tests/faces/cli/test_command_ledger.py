"""``contactd ledger …``, ``state`` and ``acknowledge``: what was recorded can be seen again."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from command_line import NOW, Watch, lay_watch

from contactd.alerts.candidate import Candidate, Candidates, Sort
from contactd.alerts.evaluate import Reach, evaluate
from contactd.alerts.fold import AlertState, fold_alerts
from contactd.core.alert import Severity
from contactd.core.instants import from_text
from contactd.core.record import ALERT_FAILED, Record
from contactd.mission.texts.text import Text
from contactd.records.ledger import Ledger

ABOUT = ("Lantern 3", "wake-up")


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    """Three records: a start at 08:00, a remark at 08:10, a sighting at 08:50."""
    watch = lay_watch(tmp_path)
    for moment, arguments in {
        "2026-11-25T08:05:00Z": ("start", *ABOUT, "--at", "2026-11-25T07:00:00Z"),
        "2026-11-25T08:10:00Z": ("remark", "wind rises", "--by", "Ida"),
        "2026-11-25T08:50:00Z": ("confirmed", *ABOUT, "receiver on", "--how", "telemetry"),
    }.items():
        assert watch("record", *arguments, now=moment).code == 0
    return watch


def open_ledger(watch: Watch) -> Ledger:
    return Ledger.open(f"sqlite:///{watch.folder}/var/ledger.sqlite")


def test_the_ledger_is_shown_in_order_and_fits_eighty_columns(watch: Watch) -> None:
    out = watch("ledger", "show").out
    heads = [line for line in out.splitlines() if not line.startswith("   ")]
    assert [line.split()[3] for line in heads] == ["start-observed", "remark", "step-seen"]
    assert "2  2026-11-25 08:10:00Z  remark  contactd, by Ida\n   text wind rises" in out
    assert max(map(len, out.splitlines())) <= 80
    assert len(watch("ledger", "show", "--limit", "1", "--format", "json").json) == 1
    assert "2026-329" in watch("ledger", "show", "--day-of-year").out


def test_records_can_be_chosen_by_kind_subject_number_and_time(watch: Watch) -> None:
    def numbers(*arguments: str) -> list[int]:
        return [
            each["number"] for each in watch("ledger", "show", *arguments, "--format", "json").json
        ]

    assert numbers("--kind", "remark") == [2]
    assert numbers("--kind", "remark", "--kind", "step-seen") == [2, 3]
    assert numbers("--subject", "lantern 3") == [1, 3]
    assert numbers("--subject", "Lantern 3/wake-up/receiver on") == [3]
    assert numbers("--subject", "Lantern") == []
    assert numbers("--after", "1") == [2, 3]
    assert numbers("--from", "2026-11-25T08:10:00Z", "--to", "2026-11-25T08:50:00Z") == [2]


def test_an_export_has_a_json_object_a_line(watch: Watch) -> None:
    lines = watch("ledger", "export").out.splitlines()
    records = [json.loads(line) for line in lines]
    assert [record["number"] for record in records] == [1, 2, 3]
    assert list(records[0]) == ["number", "at", "kind", "subject", "author", "identity", "body"]
    assert records[1]["body"] == {"text": "wind rises"}
    with open_ledger(watch) as ledger:
        kept = list(ledger.records())
    assert [record["body"] for record in records] == [dict(record.body) for record in kept]
    rows = watch("ledger", "export", "--format", "csv").csv
    assert [json.loads(row["body"]) for row in rows] == [record["body"] for record in records]


def test_an_untouched_ledger_is_intact(watch: Watch) -> None:
    answer = watch("ledger", "verify", "--format", "json")
    assert answer.code == 0
    assert (answer.json["intact"], answer.json["records"], answer.json["faults"]) == (True, 3, [])
    assert len(answer.json["last_good_digest"]) == 64
    assert "3 records, each as it was written" in watch("ledger", "verify").out


def test_a_changed_record_shows(watch: Watch) -> None:
    with sqlite3.connect(watch.folder / "var/ledger.sqlite") as database:
        for (name,) in database.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            database.execute(f'DROP TRIGGER "{name}"')
        database.execute("UPDATE record SET author = 'nobody' WHERE number = 2")
    database.close()
    answer = watch("ledger", "verify", "--format", "json")
    assert answer.code == 1
    assert answer.json["intact"] is False
    assert answer.json["last_good_number"] == 1
    assert answer.json["faults"][0]["number"] == 2
    table = watch("ledger", "verify")
    assert table.code == 1
    assert "record 2: " in table.out
    assert "it is evidence" in " ".join(table.out.split())


def test_without_a_ledger_it_is_said_that_there_is_none(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    for command in ("show", "verify", "export"):
        answer = watch("ledger", command)
        assert answer.code == 2
        assert "No ledger at" in answer.err
    assert "no record yet" in watch("state").out


def test_the_state_is_what_was_known_then(watch: Watch) -> None:
    def facts(*arguments: str) -> list[tuple[str, str, int]]:
        answer = watch("state", *arguments, "--format", "json").json
        return [(each["about"], each["fact"], each["record"]) for each in answer["sequences"]]

    assert facts("--at", "2026-11-25T08:00:00Z") == []
    assert facts("--at", "2026-11-25T08:20:00Z") == [("Lantern 3/wake-up", "start", 1)]
    assert facts() == [
        ("Lantern 3/wake-up", "start", 1),
        ("Lantern 3/wake-up/receiver on", "confirmed", 3),
    ]
    out = watch("state").out
    assert out.startswith("As known at 2026-11-25 09:00:00Z: 3 records\n")
    assert "Lantern 3 / wake-up" in out
    assert max(map(len, out.splitlines())) <= 80
    rows = watch("state", "--format", "csv").csv
    assert [row["fact"] for row in rows] == ["start", "confirmed"]


@pytest.fixture
def alarmed(watch: Watch) -> Watch:
    """The ledger holds two alerts that wait, raised by the service's own rules of life."""
    now = from_text("2026-11-25T08:55:00Z")
    matters = [
        Candidate(
            series=f"matter-{severity}",
            begins=now,
            ends=now + 1,
            kind="step-uncovered",
            sort=Sort.EVENT,
            severity=severity,
            target="Lantern 3",
            subject="Lantern 3/wake-up/beacon",
            text=Text(what, "Controller: ask another station."),
            due=now,
            moment=from_text("2026-11-25T12:00:00Z"),
            over_at=from_text("2026-11-25T12:00:00Z"),
        )
        for severity, what in (
            (Severity.CAUTION, "beacon will run out of view"),
            (Severity.WARNING, "no stop is possible"),
        )
    ]
    records = evaluate(
        AlertState(), Candidates(now, now + 60, tuple(matters)), now, reaches=[Reach("log")]
    )
    with open_ledger(watch) as ledger:
        ledger.append(records)
    return watch


def test_alerts_that_wait_are_listed_the_most_severe_first(alarmed: Watch) -> None:
    alerts = alarmed("acknowledge", "--format", "json").json
    assert [alert["severity"] for alert in alerts] == ["warning", "caution"]
    out = alarmed("acknowledge").out
    assert "warning: no stop is possible" in out
    assert "Lantern 3/wake-up/beacon, 2026-11-25 12:00:00Z (in 3 h)" in out
    assert max(map(len, out.splitlines())) <= 80


def test_an_acknowledged_alert_waits_no_more(alarmed: Watch) -> None:
    first, second = alarmed("acknowledge", "--format", "json").json
    answer = alarmed("acknowledge", str(first["number"]), "--by", "Ida", "--note", "on it")
    assert answer.code == 0
    assert "no stop is possible" in answer.out
    left = alarmed("acknowledge", "--format", "json").json
    assert [alert["number"] for alert in left] == [second["number"]]
    with open_ledger(alarmed) as ledger:
        state = fold_alerts(AlertState(), ledger.records())
    told = state.tracked[first["identity"]]
    assert (told.acknowledged_by, told.acknowledged_at) == ("Ida", from_text(NOW))
    again = alarmed("acknowledge", first["identity"])
    assert again.code == 2
    assert again.err.strip() == f"Alert {first['number']}: acknowledged by Ida at 09:00:00Z."
    assert alarmed("acknowledge", "--all").code == 0
    assert "No alert is waiting." in alarmed("acknowledge").out


@pytest.fixture
def given_up(alarmed: Watch) -> Watch:
    """One of the alerts could not be told through the channel ``pager``."""
    alert = alarmed("acknowledge", "--format", "json").json[0]
    body = {
        "message": "message-1",
        "channel": "pager",
        "alerts": [alert["identity"]],
        "parts": [alert["identity"]],
        "attempts": 8,
        "reason": "it answers 500",
    }
    record = Record(from_text("2026-11-25T08:58:00Z"), ALERT_FAILED, "", "contactd", body)
    with open_ledger(alarmed) as ledger:
        ledger.append([record])
    return alarmed


def test_what_was_given_up_is_listed_with_what_it_would_have_said(given_up: Watch) -> None:
    out = given_up("undelivered").out
    assert "pager: given up 2026-11-25 08:58:00Z (2 min ago)" in out
    assert "after 8 attempts: it answers 500" in out
    assert "warning: no stop is possible" in out
    assert max(map(len, out.splitlines())) <= 80
    [letter] = given_up("undelivered", "--format", "json").json
    assert (letter["channel"], letter["attempts"]) == ("pager", 8)
    [row] = given_up("undelivered", "--format", "csv").csv
    assert row["number"] == str(letter["number"])


def test_what_was_given_up_can_be_tried_again(given_up: Watch) -> None:
    [letter] = given_up("undelivered", "--format", "json").json
    assert given_up("undelivered", "999").code == 2
    answer = given_up("undelivered", str(letter["number"]), "--by", "Ida")
    assert answer.code == 0
    assert "alert-retried, by Ida." in answer.out
    assert "Every message was delivered" in given_up("undelivered").out
    assert given_up("undelivered", "--all").code == 2
