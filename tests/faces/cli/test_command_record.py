"""``contactd record …``: what is entered stays, moves the forecast, and shows what it moved."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import NOW, Watch, lay_watch

from contactd.core.instants import from_text
from contactd.records.ledger import Ledger


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return lay_watch(tmp_path)


def records(watch: Watch) -> list:
    path = watch.folder / "var/ledger.sqlite"
    if not path.exists():
        return []
    with Ledger.open(f"sqlite:///{path}", create=False) as ledger:
        return list(ledger.records())


def test_a_recorded_start_narrows_every_expiry(watch: Watch) -> None:
    answer = watch(
        "record", "start", "Lantern 3", "wake-up", "--at", "2026-11-25T08:40:00Z",
        "--give-or-take", "20s", "--by", "Ida", "--format", "json",
    )  # fmt: skip
    assert (answer.code, answer.told) == (0, "")
    assert answer.json["stored"] is True
    record = answer.json["record"]
    assert record["kind"] == "start-observed"
    assert record["subject"] == "Lantern 3/wake-up"
    assert record["author"] == "Ida"
    assert record["at"] == "2026-11-25T09:00:00.000Z"
    # By hand: 08:40:00 ± 20 s + 1 h 30 min ± 50 ppm of 5 400 s (0.27 s).
    after = answer.json["after"][0]
    assert from_text(after["earliest"]) == pytest.approx(
        from_text("2026-11-25T10:09:39.730Z"), abs=2e-3
    )
    assert from_text(after["latest"]) == pytest.approx(
        from_text("2026-11-25T10:10:20.270Z"), abs=2e-3
    )
    assert after["status"] == "running"
    assert answer.json["before"][0]["status"] == "planned"
    steps = watch("forecast", "--format", "json").json
    assert [{key: each[key] for key in after} for each in steps] == answer.json["after"]


def test_the_ledger_holds_what_was_recorded(watch: Watch) -> None:
    watch("record", "start", "Lantern 3", "wake-up", "--at", "2026-11-25T08:40:00Z")
    [record] = records(watch)
    assert (record.number, record.kind, record.subject) == (
        1,
        "start-observed",
        "Lantern 3/wake-up",
    )
    assert record.at == from_text(NOW)
    assert record.author == "tester"
    # Without --give-or-take the bound is the one in the target's file, 30 s.
    assert record.body["earliest"] == "2026-11-25T08:39:30.000000Z"
    assert record.body["latest"] == "2026-11-25T08:40:30.000000Z"


def test_bounds_may_be_given_instead_of_a_best_guess(watch: Watch) -> None:
    answer = watch(
        "record", "start", "lantern 3", "Wake-Up", "--earliest", "-25min", "--latest", "-20min",
        "--format", "json",
    )  # fmt: skip
    assert answer.code == 0
    body = answer.json["record"]["body"]
    assert body["earliest"] == "2026-11-25T08:35:00.000000Z"
    assert body["nominal"] == "2026-11-25T08:37:30.000000Z"
    assert body["latest"] == "2026-11-25T08:40:00.000000Z"


def test_a_dry_run_shows_the_change_and_keeps_nothing(watch: Watch) -> None:
    arguments = ["record", "start", "Lantern 3", "wake-up", "--at", "-20min"]
    dry = watch(*arguments, "--dry-run")
    assert dry.code == 0
    assert dry.out.startswith("Not recorded (dry run): start-observed, Lantern 3/wake-up, by ")
    assert records(watch) == []
    real = watch(*arguments)
    assert dry.out.splitlines()[1:] == real.out.splitlines()[1:]


def test_the_table_of_changes_fits_eighty_columns(watch: Watch) -> None:
    out = watch("record", "start", "Lantern 3", "wake-up", "--at", "-20min").out
    assert max(map(len, out.splitlines())) <= 80
    assert out.startswith("Recorded as 1: start-observed, Lantern 3/wake-up, by tester.")
    assert " was " in out
    assert " now " in out
    assert "authority decide." in out


def test_csv_has_each_step_before_and_after(watch: Watch) -> None:
    rows = watch("record", "start", "Lantern 3", "wake-up", "--at", "-20min", "--format", "csv").csv
    assert [row["when"] for row in rows] == ["before"] * 3 + ["after"] * 3
    assert rows[0]["step"] == rows[3]["step"] == "receiver on"


def test_what_was_known_then_is_what_an_earlier_forecast_shows(watch: Watch) -> None:
    before = watch("forecast", "--format", "json").json
    watch("record", "start", "Lantern 3", "wake-up", "--at", "-20min")
    then = watch("forecast", "--at", "-1min", "--format", "json").json
    assert [step["earliest"] for step in then] == [step["earliest"] for step in before]


def test_a_start_outside_the_planned_time_is_recorded_with_a_note(watch: Watch) -> None:
    answer = watch("record", "start", "Lantern 3", "wake-up", "--at", "2026-11-25T07:30:00Z")
    assert answer.code == 0
    assert len(records(watch)) == 1
    assert answer.told == (
        "note: 2026-11-25 07:30:00Z is outside the start in the target's file, "
        "2026-11-25 08:00:00Z to 2026-11-25 10:00:00Z.\n"
    )


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["Lantern", "wake-up", "--at", "now"], "No target 'Lantern'. Did you mean 'Lantern 3'?"),
        (["Lantern 3", "wakeup", "--at", "now"], "No sequence 'wakeup'. Did you mean 'wake-up'?"),
        (["Heron 1", "wake-up", "--at", "now"], "Heron 1 has no sequences"),
        (["Lantern 3", "wake-up"], "No time given. Add a time, or earliest and latest."),
        (["Lantern 3", "wake-up", "--earliest", "-1h"], "Only one bound given. Add latest."),
        (
            ["Lantern 3", "wake-up", "--earliest", "-1h", "--latest", "-2h"],
            "expected a time not before the earliest",
        ),
        (["Lantern 3", "wake-up", "--at", "+10min"], "expected a time not after now"),
        (["Lantern 3", "wake-up", "--at", "-1h", "--give-or-take", "30"], "add a unit to 30"),
        (["Lantern 3"], "Missing argument 'SEQUENCE'"),
        (
            [
                "Lantern 3",
                "wake-up",
                "--earliest",
                "-2h",
                "--latest",
                "-1h",
                "--give-or-take",
                "1s",
            ],
            "Both bounds and ± given. Keep one of the two.",
        ),
    ],
)
def test_a_slip_is_refused_and_nothing_is_recorded(
    watch: Watch, arguments: list[str], message: str
) -> None:
    answer = watch("record", "start", *arguments)
    assert answer.code == 2
    assert answer.out == ""
    assert message in " ".join(answer.err.split())
    assert records(watch) == []


def test_a_ledger_that_is_none_is_told_on_one_line(watch: Watch) -> None:
    path = watch.folder / "var/ledger.sqlite"
    path.parent.mkdir()
    path.write_text("this is a text file, long enough to be read as something else\n" * 40)
    answer = watch("record", "start", "Lantern 3", "wake-up", "--at", "-20min")
    assert answer.code == 1
    assert "is not a ledger" in answer.err
    assert len(answer.err.splitlines()) == 1


def test_two_who_record_at_once_both_get_a_number(watch: Watch) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(4) as pool:
        answers = list(
            pool.map(
                lambda minutes: watch(
                    "record",
                    "start",
                    "Lantern 3",
                    "wake-up",
                    "--at",
                    f"-{minutes}min",
                    "--format",
                    "json",
                ),
                [50, 40, 30, 20],
            )
        )
    assert {answer.json["record"]["number"] for answer in answers} == {1, 2, 3, 4}
    assert [record.number for record in records(watch)] == [1, 2, 3, 4]


def test_what_is_recorded_is_said_with_the_ledger_and_whether_that_is_new(watch: Watch) -> None:
    first = watch("record", "start", "Lantern 3", "wake-up", "--at", "-20min")
    again = watch("record", "remark", "all well")
    assert f"Ledger: {watch.folder / 'var' / 'ledger.sqlite'} (new" in first.err
    assert again.err.strip() == f"Ledger: {watch.folder / 'var' / 'ledger.sqlite'}"
