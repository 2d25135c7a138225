"""Every kind of record that the command line enters, and what each does to the forecast."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from command_line import Watch, lay_watch

from contactd.core.instants import from_text, to_text
from contactd.mission.timetext import last_digit_s
from contactd.records.ledger import Ledger

ABOUT = ("Lantern 3", "wake-up")


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return lay_watch(tmp_path)


@pytest.fixture
def running(watch: Watch) -> Watch:
    """The sequence runs: it started at 08:00:00 ± 30 s."""
    assert watch("record", "start", *ABOUT, "--at", "2026-11-25T08:00:00Z").code == 0
    return watch


def entered(watch: Watch, *arguments: str) -> Any:
    answer = watch("record", *arguments, "--format", "json")
    assert (answer.code, answer.told) == (0, "")
    return answer.json


def last_record(watch: Watch) -> Any:
    with Ledger.open(f"sqlite:///{watch.folder}/var/ledger.sqlite", create=False) as ledger:
        return list(ledger.records())[-1]


def seconds(text: str) -> float:
    return from_text(text)


def test_a_reading_narrows_the_expiry_to_its_own_error(running: Watch) -> None:
    # By hand: at 09:00:00 the countdown shows 30 min 10 s, ± 5 s: it runs out at 09:30:10 ± 5 s
    # and 50 ppm of the 1 810 s that are left (0.09 s).
    after = entered(
        running, "reading", *ABOUT, "--step", "receiver on", "--at", "now",
        "--remaining", "30min 10s", "--error", "5s", "--at-error", "0s",
    )["after"][0]  # fmt: skip
    assert seconds(after["earliest"]) == pytest.approx(seconds("2026-11-25T09:30:04.9Z"), abs=0.2)
    assert seconds(after["latest"]) == pytest.approx(seconds("2026-11-25T09:30:15.1Z"), abs=0.2)


def test_a_reading_without_an_error_is_believed_to_half_its_last_digit(running: Watch) -> None:
    entered(
        running, "reading", *ABOUT, "--step", "receiver on", "--at", "now", "--remaining", "30min"
    )
    assert last_record(running).body["error_s"] == 30.0


@pytest.mark.parametrize(
    ("written", "worth_s"),
    [
        ("3h 12min", 60),
        ("12.5s", 0.1),
        ("PT6H30M", 60),
        ("PT1H", 3600),
        ("PT12.25S", 0.01),
        ("90 s", 1),
        ("1d", 86_400),
        ("250ms", 0.001),
    ],
)
def test_the_last_digit_of_a_duration_is_worth_its_unit(written: str, worth_s: float) -> None:
    assert last_digit_s(written) == pytest.approx(worth_s)


def test_a_contradicting_reading_is_kept_told_and_not_used(running: Watch) -> None:
    before = running("forecast", "--format", "json").json
    answer = running(
        "record", "reading", *ABOUT, "--step", "receiver on", "--at", "now", "--remaining", "2h"
    )
    assert answer.code == 1
    assert answer.out.startswith("Recorded as 2: reading")
    assert answer.told.startswith("note: ")
    assert "record 2" in answer.err
    after = running("forecast", "--format", "json").json
    assert [each["latest"] for each in after] == [each["latest"] for each in before]


def test_an_attempt_puts_the_sequence_in_doubt_and_its_hazards_count_as_running(
    watch: Watch,
) -> None:
    arguments = ["attempt", *ABOUT, "--earliest", "08:30", "--latest", "08:50"]
    assert watch("record", *arguments).code == 2
    answer = watch(
        "record", "attempt", *ABOUT, "--earliest", "2026-11-25T08:30:00Z", "--latest",
        "2026-11-25T08:50:00Z", "--why", "the release switch was touched",
    )  # fmt: skip
    assert answer.code == 0
    assert "now: Start in doubt 2026-11-25 08:30:00Z to 08:50:00Z" in answer.out
    hazardous = watch("forecast", "--format", "json").json[1]
    assert hazardous["status"] == "running"
    # By hand: 1 h 32 min after the attempt's bounds, from 2 min before to 10 min after.
    assert seconds(hazardous["keep_clear"]["from"]) == pytest.approx(
        seconds("2026-11-25T10:00:00Z"), abs=1
    )
    assert seconds(hazardous["keep_clear"]["to"]) == pytest.approx(
        seconds("2026-11-25T10:32:00Z"), abs=1
    )


def test_a_decision_ends_the_doubt(watch: Watch) -> None:
    watch("record", "attempt", *ABOUT, "--earliest", "-30min", "--latest", "-10min")
    unexplained = watch("record", "decision", *ABOUT, "not-started")
    assert unexplained.code == 2
    assert "No reason given. Add --why TEXT." in unexplained.err
    after = entered(watch, "decision", *ABOUT, "not-started", "--why", "switch found closed")[
        "after"
    ]
    # The attempt is decided; the start that the file plans for later is in force again.
    assert {step["status"] for step in after} == {"planned"}


def test_a_decision_on_a_step_needs_a_verdict_on_steps(running: Watch) -> None:
    answer = running("record", "decision", *ABOUT, "started", "--step", "beacon", "--why", "heard")
    assert answer.code == 2
    assert "expected 'acted' or 'did not act'" in answer.err


def test_a_refuted_start_stops_everything(running: Watch) -> None:
    after = entered(running, "no-start", *ABOUT, "--why", "no power on the bus")["after"]
    assert {step["status"] for step in after} == {"stopped"}


def test_a_step_that_was_seen_is_seen(watch: Watch) -> None:
    watch("record", "start", *ABOUT, "--at", "2026-11-25T07:20:00Z")
    after = entered(
        watch,
        "confirmed",
        *ABOUT,
        "receiver on",
        "--at",
        "2026-11-25T08:55:00Z",
        "--how",
        "telemetry",
    )["after"]
    assert after[0]["status"] == "seen"
    assert last_record(watch).body["by"] == "telemetry"
    assert last_record(watch).subject == "Lantern 3/wake-up/receiver on"


def test_a_setting_moves_its_step_and_those_after_it(watch: Watch) -> None:
    changed = entered(watch, "setting", *ABOUT, "receiver on", "2h 30min")
    moved = [
        seconds(after["nominal"]) - seconds(before["nominal"])
        for before, after in zip(changed["before"], changed["after"], strict=True)
    ]
    assert moved == pytest.approx([3600.0] * 3, abs=0.01)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["receiver on", "2h 35min"], "9000 s or 9600 s"),
        (["receiver on", "20h"], "from 3600 s to 32400 s"),
        (["beacon", "2h"], "this one's delay is fixed"),
        (["reciever on", "2h"], "Did you mean 'receiver on'?"),
    ],
)
def test_a_timer_cannot_be_set_where_it_has_no_value(
    watch: Watch, arguments: list[str], message: str
) -> None:
    answer = watch("record", "setting", *ABOUT, *arguments)
    assert answer.code == 2
    assert message in answer.err
    assert not (watch.folder / "var/ledger.sqlite").exists()


def test_held_countdowns_move_by_the_time_they_were_held(running: Watch) -> None:
    before = running("forecast", "--format", "json").json[0]
    held = entered(running, "hold", *ABOUT, "--at", "2026-11-25T08:30:00Z")["after"]
    assert held[0]["status"] == "held"
    assert held[0]["earliest"] is None
    after = entered(running, "resume", *ABOUT, "--at", "2026-11-25T08:40:00Z")["after"][0]
    assert seconds(after["nominal"]) - seconds(before["nominal"]) == pytest.approx(600, abs=1)


def test_a_stop_takes_the_step_and_what_follows_out(running: Watch) -> None:
    after = entered(running, "stopped", *ABOUT, "--step", "antenna release")["after"]
    assert [step["status"] for step in after] == ["running", "stopped", "stopped"]
    assert after[1]["keep_clear"] is None


def test_a_command_that_was_sent_stops_nothing_by_itself(running: Watch) -> None:
    changed = entered(
        running, "sent", *ABOUT, "stop", "--step", "antenna release", "--station", "nordhavn"
    )
    assert changed["after"][1]["status"] == "running"
    assert last_record(running).body["station"] == "Nordhavn"


def test_a_power_loss_is_kept(running: Watch) -> None:
    entered(running, "power-loss", *ABOUT, "--at", "-10min", "--give-or-take", "1min")
    body = last_record(running).body
    assert body["earliest"] == "2026-11-25T08:49:00.000000Z"
    assert body["latest"] == "2026-11-25T08:51:00.000000Z"


def test_a_missed_contact_is_kept_and_one_that_never_was_is_questioned(watch: Watch) -> None:
    contact = watch(
        "contacts", "--from", "-6h", "--to", "now", "--target", "Lantern 3", "--format", "json"
    ).json[-1]
    answer = watch(
        "record", "missed", "Lantern 3", contact["station"], "--at", contact["tca"], "--why", "wind"
    )
    assert (answer.code, answer.told) == (0, "")
    assert answer.out.startswith(
        f"Recorded as 1: contact-missed, Lantern 3, contact with {contact['station']} at "
    )
    body = last_record(watch).body
    assert (body["station"], body["at"], body["why"]) == (
        contact["station"],
        contact["tca"],
        "wind",
    )
    doubtful = watch("record", "missed", "Heron 1", "Kelp Bay", "--at", "-1h")
    assert doubtful.code == 0
    assert "No contact of Heron 1 with Kelp Bay is predicted at" in doubtful.err
    assert watch("record", "missed", "Lantern 3", "Nordhavn", "--at", "+1h").code == 2


def test_a_remark_may_be_about_anything(watch: Watch) -> None:
    assert watch("record", "remark", "antenna iced").out == (
        "Recorded as 1: remark, contactd, by tester.\n"
    )
    watch("record", "remark", "crew inside", "--target", "lantern 3", "--sequence", "wake-up")
    record = last_record(watch)
    assert (record.subject, record.body) == ("Lantern 3/wake-up", {"text": "crew inside"})
    assert watch("record", "remark", "  ").code == 2
    assert watch("record", "remark", "x", "--sequence", "wake-up").code == 2


def test_a_note_is_kept_in_any_record(watch: Watch) -> None:
    entered(watch, "start", *ABOUT, "--at", "-20min", "--note", "by voice loop 2")
    assert last_record(watch).body["note"] == "by voice loop 2"


def test_a_plan_replaces_the_expected_start(watch: Watch) -> None:
    after = entered(
        watch, "plan", *ABOUT, "--earliest", "2026-11-25T10:00:00Z", "--latest",
        "2026-11-25T11:00:00Z",
    )["after"][0]  # fmt: skip
    assert after["status"] == "planned"
    assert seconds(after["earliest"]) == pytest.approx(seconds("2026-11-25T11:30:00Z"), abs=1)
    assert seconds(after["latest"]) == pytest.approx(seconds("2026-11-25T12:30:00Z"), abs=1)


def in_doubt_within_a_contact(watch: Watch) -> dict[str, Any]:
    """Put the sequence in doubt so that ``receiver on`` may have acted only within a contact."""
    long = [
        each
        for each in watch(
            "contacts", "--from", "-6h", "--to", "now", "--target", "Lantern 3", "--format", "json"
        ).json
        if each["duration_s"] > 400 and not each["cut_at_end"]
    ]
    contact: dict[str, Any] = long[-1]
    middle = from_text(contact["tca"]) - 5400.0
    earliest, latest = to_text(middle - 10), to_text(middle + 10)
    assert watch("record", "attempt", *ABOUT, "--earliest", earliest, "--latest", latest).code == 0
    return contact


def test_not_seeing_what_was_surely_in_view_refutes_the_start(watch: Watch) -> None:
    contact = in_doubt_within_a_contact(watch)
    watched = ("--from", contact["aos"], "--to", contact["los"], "--station", contact["station"])
    after = entered(watch, "not-confirmed", *ABOUT, "receiver on", *watched)["after"]
    assert {step["status"] for step in after} == {"planned"}
    assert last_record(watch).body["refutes"] is True


@pytest.mark.parametrize("spoiled", ["too short a watch", "another station", "the contact missed"])
def test_not_seeing_what_may_have_been_out_of_view_proves_nothing(
    watch: Watch, spoiled: str
) -> None:
    contact = in_doubt_within_a_contact(watch)
    start, station = contact["aos"], contact["station"]
    if spoiled == "too short a watch":
        start = contact["tca"]
    elif spoiled == "another station":
        station = next(name for name in ("Mirador", "Kelp Bay") if name != station)
    else:
        watch("record", "missed", "Lantern 3", station, "--at", contact["tca"])
    answer = watch(
        "record", "not-confirmed", *ABOUT, "receiver on", "--from", start, "--to", contact["los"],
        "--station", station,
    )  # fmt: skip
    assert answer.code == 0
    assert answer.err.startswith("note: This proves nothing: ")
    assert last_record(watch).body["refutes"] is False
    steps = watch("forecast", "--format", "json").json
    assert steps[1]["status"] in ("running", "expired", "expiring")
