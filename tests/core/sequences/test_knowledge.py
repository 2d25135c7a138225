"""Folding records into what is known of a sequence."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from contactd.core import record as kinds
from contactd.core.instants import from_text, to_text
from contactd.core.record import Record
from contactd.core.sequences.expiry import timeline
from contactd.core.sequences.knowledge import (
    CONCERNS_SEQUENCES,
    SequenceKnowledge,
    learn,
    parts_of,
)
from contactd.core.sequences.model import Delay, Sequence, Start, StartStatus, Step
from contactd.mission.bodies import (
    command_sent,
    event,
    ruling,
    start_attempted,
    start_observed,
    start_planned,
    start_refuted,
    stopped,
)

T0 = from_text("2026-12-03T08:00:00Z")
SUBJECT = "Lantern 3/wake-up"


def told(*facts: tuple[str, str, float, dict[str, Any]]) -> SequenceKnowledge:
    """Knowledge after records of (kind, step, recorded at in seconds after T0, body)."""
    known = SequenceKnowledge()
    for number, (kind, step, at, body) in enumerate(facts, start=1):
        subject = f"{SUBJECT}/{step}" if step else SUBJECT
        # Bodies pass through the ledger as JSON.
        stored = json.loads(json.dumps(body))
        known = learn(known, Record(T0 + at, kind, subject, "Ada", stored, number=number))
    return known


def observed(at: float, give_or_take_s: float = 5.0) -> dict[str, Any]:
    return start_observed(T0 + at, give_or_take_s, recorded_at=T0 + 1e6)


def attempted(first: float, last: float) -> dict[str, Any]:
    return start_attempted(T0 + first, T0 + last, recorded_at=T0 + 1e6, why="bumped")


def seen(at: float) -> dict[str, Any]:
    return {"at": to_text(T0 + at, 6)}


def test_a_subject_names_target_sequence_and_step() -> None:
    assert parts_of("Lantern 3/wake-up/antenna release") == (
        "Lantern 3",
        "wake-up",
        "antenna release",
    )
    assert parts_of("Lantern 3/wake-up") == ("Lantern 3", "wake-up", None)


def test_an_observed_start_keeps_its_bounds_and_its_record() -> None:
    known = told((kinds.START_OBSERVED, "", 10, observed(0, 5)))
    assert known.start is not None
    assert known.start.status is StartStatus.OBSERVED
    assert known.start.earliest == pytest.approx(T0 - 5, abs=1e-6)
    assert known.start.latest == pytest.approx(T0 + 5, abs=1e-6)
    assert known.start.record == 1


def test_a_later_observation_corrects_an_earlier_one_and_keeps_the_readings() -> None:
    reading = {"at": to_text(T0 + 50, 6), "remaining_s": 100.0, "error_s": 1.0}
    known = told(
        (kinds.START_OBSERVED, "", 10, observed(0)),
        (kinds.READING, "receiver on", 60, reading),
        (kinds.START_OBSERVED, "", 70, observed(3, 1)),
    )
    assert known.start is not None
    assert known.start.nominal == pytest.approx(T0 + 3, abs=1e-6)
    assert len(known.readings) == 1


def test_attempts_put_the_start_in_doubt_over_all_of_them() -> None:
    known = told(
        (kinds.START_ATTEMPTED, "", 100, attempted(0, 10)),
        (kinds.START_ATTEMPTED, "", 500, attempted(300, 320)),
    )
    assert known.start is not None
    assert known.start.status is StartStatus.IN_DOUBT
    assert known.start.earliest == pytest.approx(T0, abs=1e-6)
    assert known.start.latest == pytest.approx(T0 + 320, abs=1e-6)
    assert len(known.attempts) == 2


def test_a_sighting_ends_the_doubt() -> None:
    known = told(
        (kinds.START_ATTEMPTED, "", 100, attempted(0, 10)),
        (kinds.STEP_SEEN, "receiver on", 900, seen(800)),
    )
    assert known.start is not None
    assert known.start.status is StartStatus.OBSERVED
    assert known.seen["receiver on"].latest == pytest.approx(T0 + 800, abs=1e-6)


def test_not_having_seen_a_step_refutes_only_where_that_was_accepted() -> None:
    body = {"from": to_text(T0, 6), "until": to_text(T0 + 900, 6), "refutes": False, "why": "gap"}
    doubt = (kinds.START_ATTEMPTED, "", 100, attempted(0, 10))
    for refutes, status in ((False, StartStatus.IN_DOUBT), (True, StartStatus.REFUTED)):
        not_seen = (kinds.STEP_NOT_SEEN, "receiver on", 950, body | {"refutes": refutes})
        known = told(doubt, not_seen)
        assert known.start is not None
        assert known.start.status is status
        assert known.not_seen["receiver on"].why == "gap"


def test_a_new_attempt_after_a_refutation_is_in_doubt_by_itself() -> None:
    known = told(
        (kinds.START_ATTEMPTED, "", 100, attempted(0, 10)),
        (kinds.START_REFUTED, "", 200, start_refuted("the switch was found open")),
        (kinds.START_ATTEMPTED, "", 900, attempted(800, 810)),
    )
    assert known.start is not None
    assert known.start.status is StartStatus.IN_DOUBT
    assert known.start.earliest == pytest.approx(T0 + 800, abs=1e-6)


def test_a_new_start_after_a_stop_begins_a_new_run_with_the_same_settings() -> None:
    known = told(
        (kinds.SETTING_CHOSEN, "receiver on", 1, {"setting_s": 7200.0}),
        (kinds.START_OBSERVED, "", 10, observed(0)),
        (kinds.STEP_SEEN, "receiver on", 300, seen(290)),
        (kinds.SEQUENCE_STOPPED, "", 400, stopped(T0 + 390, recorded_at=T0 + 400)),
        (kinds.START_OBSERVED, "", 1000, observed(990)),
    )
    assert known.start is not None
    assert known.start.status is StartStatus.OBSERVED
    assert known.seen == {}
    assert known.settings == {"receiver on": 7200.0}
    assert known.setting_records == {"receiver on": 1}
    assert known.conflicts == ()


def test_a_contradicting_record_leaves_the_last_consistent_state_and_is_told() -> None:
    before = (
        (kinds.START_OBSERVED, "", 10, observed(0)),
        (kinds.STEP_SEEN, "receiver on", 300, seen(290)),
    )
    for fact, words in (
        ((kinds.START_REFUTED, "", 400, start_refuted("not lit")), "receiver on was seen"),
        ((kinds.START_PLANNED, "", 400, start_planned(T0 + 900)), "refute that start"),
        ((kinds.SEQUENCE_STOPPED, "receiver on", 400, seen(390)), "cannot be stopped"),
        ((kinds.SEQUENCE_STOPPED, "", 400, seen(-390)), "before the earliest start"),
        ((kinds.SEQUENCE_RESUMED, "", 400, event(T0, T0, recorded_at=T0 + 1)), "not held"),
        (
            (kinds.READING, "receiver on", 400, {"at": to_text(T0 + 500, 6), "elapsed_s": 1}),
            "future",
        ),
        ((kinds.STEP_SEEN, "receiver on", 400, seen(500)), "future"),
    ):
        known, after = told(*before), told(*before, fact)
        assert after.start == known.start
        assert after.seen == known.seen
        (conflict,) = after.conflicts
        assert conflict.record == 3
        assert words in conflict.text
        assert fact[0] in conflict.text


def test_what_was_seen_outweighs_a_refutation_and_puts_the_start_in_doubt_again() -> None:
    known = told(
        (kinds.START_ATTEMPTED, "", 100, attempted(0, 10)),
        (kinds.START_REFUTED, "", 200, start_refuted("nothing heard")),
        (kinds.STEP_SEEN, "receiver on", 900, seen(800)),
    )
    assert known.start is not None
    assert known.start.status is StartStatus.IN_DOUBT
    assert "receiver on was seen although the start was refuted" in known.conflicts[0].text


def test_an_operator_rules_on_start_step_and_reading() -> None:
    reading = {"at": to_text(T0 + 50, 6), "remaining_s": 100.0, "error_s": 1.0}

    def ruled(verdict: str, **more: Any) -> dict[str, Any]:
        return ruling(verdict, "seen on video", recorded_at=T0 + 1e6, **more)

    doubt = (kinds.START_ATTEMPTED, "", 100, attempted(0, 10))
    started = told(doubt, (kinds.RULING, "", 200, ruled("started")))
    assert started.start is not None
    assert started.start.status is StartStatus.OBSERVED
    assert started.rulings[0].author == "Ada"
    not_started = told(doubt, (kinds.RULING, "", 200, ruled("not started")))
    assert not_started.start is not None
    assert not_started.start.status is StartStatus.REFUTED
    acted = told(doubt, (kinds.RULING, "motor", 200, ruled("acted", step="motor")))
    assert acted.seen["motor"].latest == pytest.approx(T0 + 200)
    inert = told(doubt, (kinds.RULING, "motor", 200, ruled("did not act", step="motor")))
    assert inert.inert_steps == {"motor"}
    wrong = told(
        doubt,
        (kinds.READING, "receiver on", 60, reading),
        (kinds.RULING, "", 200, ruled("reading wrong", reading_record=2)),
    )
    assert wrong.readings == ()
    assert wrong.conflicts == ()


def test_holds_power_losses_and_commands_are_kept_in_order() -> None:
    def at(seconds: float) -> dict[str, Any]:
        return event(T0 + seconds - 5, T0 + seconds + 5, recorded_at=T0 + 1e6, why="bus reset")

    sent = command_sent(
        (T0 + 20, T0 + 20, T0 + 20), "stop", "in doubt", recorded_at=T0 + 30, station="Heron"
    )
    known = told(
        (kinds.POWER_LOSS, "", 900, at(800)),
        (kinds.POWER_LOSS, "", 901, at(100)),
        (kinds.SEQUENCE_HELD, "", 902, at(200)),
        (kinds.SEQUENCE_RESUMED, "", 903, at(300)),
        (kinds.COMMAND_SENT, "motor", 904, sent),
    )
    assert [round(each.earliest - T0) for each in known.power_losses] == [95, 795]
    (hold,) = known.holds
    assert hold.resumed is not None
    assert hold.resumed.latest == pytest.approx(T0 + 305, abs=1e-5)
    assert known.commands[0].station == "Heron"
    assert known.commands[0].step == "motor"


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=4,
)
KEYS = [
    "at",
    "earliest",
    "latest",
    "remaining_s",
    "setting_s",
    "ruling",
    "from",
    "until",
    "reading",
]


@given(
    st.sampled_from(sorted(CONCERNS_SEQUENCES)),
    st.dictionaries(st.sampled_from(KEYS), JSON, max_size=4),
    st.sampled_from(["Lantern 3/wake-up", "Lantern 3/wake-up/motor", "Lantern 3", ""]),
)
def test_no_body_however_broken_stops_the_fold(
    kind: str, body: dict[str, Any], subject: str
) -> None:
    before = told((kinds.START_OBSERVED, "", 10, observed(0)))
    after = learn(before, Record(T0 + 20, kind, subject, "Ada", body, number=2))
    assert isinstance(after, SequenceKnowledge)


def test_a_kind_that_concerns_no_sequence_changes_nothing() -> None:
    known = told((kinds.START_OBSERVED, "", 10, observed(0)))
    remark = Record(T0 + 20, kinds.REMARK, SUBJECT, "Ada", {"text": "cold night"}, number=2)
    assert learn(known, remark) is known


def test_a_ruling_that_it_started_takes_the_configured_bounds_where_no_others_are_known() -> None:
    configured = Sequence(
        "Lantern 3",
        "wake-up",
        (Step("receiver on", Delay(fixed_s=60.0)),),
        start=Start(StartStatus.IN_DOUBT, T0, T0 + 5, T0 + 10),
    )
    body = ruling("started", "on video", recorded_at=T0 + 50, knowledge=told(), sequence=configured)
    known = told((kinds.RULING, "", 50, body))
    assert known.conflicts == ()
    line = timeline(configured, known)
    assert line.start.status is StartStatus.OBSERVED
    assert line.start.latest == T0 + 10
    nowhere = timeline(replace(configured, start=Start()), known)
    assert nowhere.unset == {"receiver on": "it is not known when it started"}


def test_a_configured_doubt_ends_by_a_sighting_or_an_accepted_not_seen() -> None:
    configured = Sequence(
        "Lantern 3",
        "wake-up",
        (Step("receiver on", Delay(fixed_s=60.0)),),
        start=Start(StartStatus.IN_DOUBT, T0, T0 + 5, T0 + 10),
    )
    body = {"from": to_text(T0, 6), "until": to_text(T0 + 900, 6), "refutes": True, "why": "x"}
    not_seen = told((kinds.STEP_NOT_SEEN, "receiver on", 950, body))
    was_seen = told((kinds.STEP_SEEN, "receiver on", 950, seen(66)))
    assert timeline(configured, told()).start.status is StartStatus.IN_DOUBT
    assert timeline(configured, not_seen).start.status is StartStatus.REFUTED
    assert timeline(configured, was_seen).start.status is StartStatus.OBSERVED
