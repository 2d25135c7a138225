"""What may be stated of a sequence, and how a statement that cannot be true is refused."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from contactd.core.errors import InputError
from contactd.core.instants import from_text
from contactd.core.sequences import naming
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Delay, Sequence, Setting, Step, TimerUnit
from contactd.mission import bodies

T0 = from_text("2026-12-03T08:00:00Z")
NOW = T0 + 1_000

SEQUENCE = Sequence(
    "Lantern 3",
    "wake-up",
    (
        Step("receiver on", Delay(setting=Setting(7_200.0, 360_000.0, 600.0))),
        Step("antenna release", Delay(fixed_s=120.0), after=("receiver on",), timers=("A", "B")),
    ),
    units=(TimerUnit("A"), TimerUnit("B")),
)


def reading(**changes: Any) -> naming.Statement:
    given = {"remaining_s": 10.0, "recorded_at": NOW} | changes
    step, at = given.pop("step", "receiver on"), given.pop("at", T0)
    return bodies.reading(SEQUENCE, step, at, **given)


@pytest.mark.parametrize(
    ("state", "key", "words"),
    [
        (
            lambda: bodies.start_observed(NOW + 5, 1, recorded_at=NOW),
            "earliest",
            "not after now",
        ),
        (
            lambda: bodies.start_observed(T0, recorded_at=NOW, earliest=T0 + 1, latest=T0),
            "latest",
            "not before the earliest",
        ),
        (
            lambda: bodies.start_observed(T0 + 9, recorded_at=NOW, earliest=T0, latest=T0 + 1),
            "at",
            "from 2026-12-03T08:00:00.000000Z to 2026-12-03T08:00:01.000000Z",
        ),
        (lambda: bodies.start_observed(T0, -1, recorded_at=NOW), "give_or_take", "duration"),
        (lambda: bodies.start_observed(float("nan"), recorded_at=NOW), "earliest", "a time"),
        (
            lambda: bodies.start_attempted(T0 + 9, T0, recorded_at=NOW),
            "latest",
            "not before",
        ),
        (lambda: bodies.start_refuted("  "), "why", "how it is known"),
        (lambda: bodies.stopped(NOW + 1, recorded_at=NOW), "at", "not after now"),
        (
            lambda: bodies.setting_chosen(SEQUENCE, "receiver on", 7_500.0),
            "setting",
            "7200 s or 7800 s",
        ),
        (
            lambda: bodies.setting_chosen(SEQUENCE, "receiver on", 600.0),
            "setting",
            "from 7200 s to 360000 s",
        ),
        (
            lambda: bodies.setting_chosen(SEQUENCE, "antenna release", 120.0),
            "step",
            "delay is fixed",
        ),
        (
            lambda: bodies.setting_chosen(SEQUENCE, "reciever on", 7_200.0),
            "step",
            "did you mean 'receiver on'?",
        ),
        (lambda: reading(at=NOW + 1), "at", "not after now"),
        (lambda: reading(elapsed_s=3.0), "remaining", "either the remaining or the elapsed"),
        (lambda: reading(remaining_s=None), "remaining", "either the remaining or the elapsed"),
        (lambda: reading(step=None), "step", "whose countdown"),
        (lambda: reading(error_s=-1.0), "error", "a duration"),
        (lambda: reading(step="antenna release"), "unit", "A, B"),
        (lambda: reading(unit="C"), "unit", "'A', 'B'"),
        (lambda: reading(unit="A"), "unit", "the sequence's own clock"),
        (
            lambda: bodies.step_seen(SEQUENCE, "receiver on", T0, recorded_at=NOW, earliest=T0 + 1),
            "earliest",
            "not after",
        ),
        (
            lambda: bodies.command_sent((T0, T0, T0), " ", "no", recorded_at=NOW),
            "command",
            "that was sent",
        ),
        (lambda: bodies.ruling("maybe", "x", recorded_at=NOW), "decision", "'started' or"),
        (lambda: bodies.ruling("started", "", recorded_at=NOW), "why", "part of the record"),
        (
            lambda: bodies.ruling("started", "x", recorded_at=NOW, knowledge=SequenceKnowledge()),
            "earliest",
            "none are known",
        ),
        (
            lambda: bodies.ruling(
                "reading wrong",
                "x",
                recorded_at=NOW,
                reading_record=4,
                knowledge=SequenceKnowledge(),
            ),
            "reading",
            "there is none",
        ),
    ],
)
def test_a_statement_that_cannot_be_true_says_what_is_expected(
    state: Callable[[], Any], key: str, words: str
) -> None:
    with pytest.raises(InputError) as caught:
        state()
    assert caught.value.key == key
    assert words in caught.value.expected
    assert caught.value.found


def test_bodies_are_plain_json_with_utc_text_to_the_microsecond() -> None:
    body = bodies.start_observed(T0 + 0.25, 0.5, recorded_at=NOW)
    assert json.loads(json.dumps(body)) == {
        "earliest": "2026-12-03T07:59:59.750000Z",
        "nominal": "2026-12-03T08:00:00.250000Z",
        "latest": "2026-12-03T08:00:00.750000Z",
    }
    assert reading(error_s=0.5) == {
        "at": "2026-12-03T08:00:00.000000Z",
        "remaining_s": 10.0,
        "error_s": 0.5,
        "at_error_s": 0.0,
    }


def test_a_normal_error_without_a_bound_is_bounded_by_three_standard_deviations() -> None:
    # JCGM 100:2008, 6.3.3 and table G.1 (from memory): k = 3 holds 99.73 % of a normal quantity.
    body = bodies.start_observed(T0, sigma_s=2.0, recorded_at=NOW)
    assert body["latest"] == "2026-12-03T08:00:06.000000Z"
    assert body["sigma_s"] == 2.0


def test_a_setting_is_taken_as_the_dial_has_it() -> None:
    body = bodies.setting_chosen(SEQUENCE, "receiver on", 7_800.0000001)
    assert body == {"setting_s": 7_800.0}
    assert naming.subject_of(SEQUENCE, "receiver on") == "Lantern 3/wake-up/receiver on"
