"""Statements: what each asks for, what is told of it, and what a repeated one is."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from contactd.core.contacts.contact import Contact
from contactd.core.errors import InputError
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import Prediction
from contactd.core.sequences.coverage import Conditions
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.knowledge import SequenceKnowledge, learn
from contactd.core.sequences.model import Delay, Sequence, Start, StartStatus, Step, StopRule
from contactd.core.target import Target
from contactd.mission.changes import NOTHING, between
from contactd.mission.statements import (
    BY_VERB,
    STATEMENTS,
    Scene,
    Stated,
    confirmation,
    notes_of,
    record_of,
    repeats,
    shape_of,
)
from contactd.mission.statements.types import stated_moment

T0 = from_text("2026-12-03T08:00:00Z")
NOW = T0 + 6_000.0

SEQUENCE = Sequence(
    "Lantern 3",
    "wake-up",
    (
        Step("receiver on", Delay(fixed_s=7_200.0)),
        Step(
            "antenna release",
            Delay(fixed_s=120.0),
            after=("receiver on",),
            hazard="deployment",
            stop=StopRule(60.0, 20.0),
        ),
        Step("beacon on", Delay(fixed_s=300.0), after=("antenna release",)),
    ),
    start=Start(StartStatus.OBSERVED, T0 - 30.0, T0, T0 + 30.0),
)
CONTACT = Contact(
    "Lantern 3",
    "Mesa Roja",
    T0 + 1_000.0,
    T0 + 1_300.0,
    T0 + 1_600.0,
    10.0,
    90.0,
    170.0,
    40.0,
    700.0,
)


def scene(**changes: Any) -> Scene:
    def coverage(span: tuple[float, float]) -> Prediction:
        return Prediction(TargetOutlook("Lantern 3", span, contacts=(CONTACT,)), Conditions())

    given: dict[str, Any] = {
        "target": Target("Lantern 3"),
        "sequence": SEQUENCE,
        "knowledge": SequenceKnowledge(),
        "stations": {name: Station(name, 0.0, 0.0) for name in ("Mesa Roja", "Quarry Hill")},
        "author": "Ada",
        "now_s": NOW,
        "key": "",
        "coverage": coverage,
    }
    return Scene(**{**given, **changes})


def stated(verb: str, **fields: Any) -> Any:
    about = {"target": "Lantern 3"} | (
        {} if verb in ("missed", "aos", "los", "correction") else {"sequence": "wake-up"}
    )
    return BY_VERB[verb](**about, **fields)


def test_every_field_has_a_label_and_one_of_the_types_that_a_form_can_draw() -> None:
    types = {"moment", "length", "reading", "target", "sequence", "step", "station", "choice"}
    for kind in STATEMENTS:
        for each in shape_of(kind).fields:
            assert each.type in types | {"text", "count"}
            assert each.label != each.name


@pytest.mark.parametrize(
    ("text", "value_s", "digit_s"),
    [
        ("2026-12-03T08:00:00Z", T0, 1.0),
        ("2026-12-03T08:00:00.25Z", T0 + 0.25, 0.01),
        ("now", NOW, 1.0),
        ("15min ago", NOW - 900.0, 60.0),
        ("-1h 30min", NOW - 5_400.0, 60.0),
    ],
)
def test_a_moment_knows_what_its_last_digit_is_worth(
    text: str, value_s: float, digit_s: float
) -> None:
    assert stated_moment(text, NOW) == Stated(pytest.approx(value_s), pytest.approx(digit_s))


def test_a_relative_moment_needs_a_present() -> None:
    with pytest.raises(ValueError, match=r"Use 2026-12-03T08:00:00Z"):
        stated_moment("15min ago")


@pytest.mark.parametrize("verb", ["hold", "resume", "power-loss"])
def test_a_time_without_an_error_is_known_to_half_its_last_digit(verb: str) -> None:
    record = record_of(stated(verb, at="2026-12-03T09:00:00Z"), scene())
    assert record.body["earliest"] == "2026-12-03T08:59:59.500000Z"
    assert record.body["latest"] == "2026-12-03T09:00:00.500000Z"
    assert record.body["assumed"] == "time assumed: ± 0.5 s, half the last digit"
    assert confirmation(record).endswith("Time assumed: ± 0.5 s, half the last digit.")


def test_a_start_without_an_error_has_that_of_the_targets_file() -> None:
    known = replace(SEQUENCE, start=Start(give_or_take_s=40.0))
    record = record_of(stated("start", at="2026-12-03T08:00:00Z"), scene(sequence=known))
    assert record.body["earliest"] == "2026-12-03T07:59:20.000000Z"
    assert record.body["assumed"] == "time assumed: ± 40 s, as the target's file says"


def test_what_is_stated_in_full_assumes_nothing() -> None:
    given = {"at": "2026-12-03T09:00:00Z", "give_or_take": "0s"}
    assert "assumed" not in record_of(stated("hold", **given), scene()).body


@pytest.mark.parametrize("verb", ["stopped", "sent"])
def test_a_stop_of_a_step_without_one_names_the_step_whose_stop_it_is(verb: str) -> None:
    more = {"command": "stop"} if verb == "sent" else {}
    here = scene()
    for step, notes in (
        (
            "beacon on",
            [
                "'beacon on' has no stop of its own; the stop of 'antenna release' stops it too. "
                "If that was sent, record it with step 'antenna release'."
            ],
        ),
        (
            "receiver on",
            ["No command stops 'receiver on': neither it nor a step before it has a stop."],
        ),
        ("antenna release", []),
    ):
        given = stated(verb, step=step, at="2026-12-03T09:00:00Z", **more)
        assert notes_of(given, here, record_of(given, here)) == notes


def test_a_missed_contact_is_confirmed_with_its_station() -> None:
    given = stated("missed", station="mesa roja", at="2026-12-03T08:20:00Z")
    here = scene()
    record = record_of(given, here)
    assert confirmation(replace(record, number=4)) == (
        "Recorded as 4: contact-missed, Lantern 3, contact with Mesa Roja at "
        "2026-12-03 08:20:00Z, by Ada."
    )
    assert notes_of(given, here, record) == []
    other = stated("missed", station="Quarry Hill", at="2026-12-03T08:20:00Z")
    assert notes_of(other, here, record_of(other, here)) == [
        "No contact of Lantern 3 with Quarry Hill is predicted at 2026-12-03 08:20:00Z."
    ]


@pytest.mark.parametrize(
    ("verb", "given", "says"),
    [
        ("hold", {}, "No time given. Add a time, or earliest and latest."),
        ("confirmed", {"step": "beacn on"}, "No step 'beacn on'. Did you mean 'beacon on'?"),
        ("no-start", {"why": " "}, "Reason is empty. Enter it."),
        ("missed", {"station": "Mesa"}, "No station 'Mesa'. Did you mean 'Mesa Roja'?"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_sentence(
    verb: str, given: dict[str, Any], says: str
) -> None:
    with pytest.raises(InputError) as refused:
        record_of(stated(verb, **given), scene())
    assert str(refused.value) == says


def test_the_same_statement_again_is_known_and_another_is_not() -> None:
    here = scene(key="again-and-again")
    first = stated("stopped", why="confirmed")
    stored = replace(record_of(first, here), number=9)
    later = scene(key="again-and-again", now_s=NOW + 60.0)
    assert record_of(first, later).identity == stored.identity
    assert repeats(first, later, stored)
    assert not repeats(stated("stopped", why="seen"), later, stored)
    assert not repeats(stated("hold", at="2026-12-03T09:00:00Z"), later, stored)


def test_a_decision_that_is_only_tried_says_this_record_and_what_is_believed_once() -> None:
    given = stated(
        "decision", decision="acted", step="receiver on", why="heard", at="2026-12-03T08:30:00Z"
    )
    record = record_of(given, scene())
    before = outlook(SequenceKnowledge())
    change = between(before, outlook(learn(SequenceKnowledge(), record)), NOW)
    assert change.conflicts
    told = " ".join(change.notes)
    assert "record 0" not in told
    assert not ("is believed" in told and "is not used" in told), told


def outlook(knowledge: SequenceKnowledge) -> TargetOutlook:
    span = (T0 - 86_400.0, T0 + 86_400.0)
    told = forecast(SEQUENCE, knowledge, {}, NOW, span)
    return TargetOutlook("Lantern 3", span, forecasts=(told,))


def test_a_change_of_the_stop_by_alone_is_a_change() -> None:
    before = outlook(SequenceKnowledge())
    [whole] = before.forecasts
    steps = tuple(
        replace(
            each,
            stop_by=T0 + 7_000.7,
            stop_station="Mesa Roja",
            stop_possible=True,
            stop_certain=True,
            stops="antenna release",
        )
        if each.step == "antenna release"
        else each
        for each in whole.steps
    )
    with_stop = replace(before, forecasts=(replace(whole, steps=steps),))
    assert between(before, before, NOW).sentences == (NOTHING,)
    change = between(with_stop, before, NOW)
    assert NOTHING not in change.sentences
    [sentence] = [each for each in change.sentences if "stop by" in each]
    assert sentence.endswith(
        'was: stop by 2026-12-03 09:56:40Z: send "stop antenna release" through Mesa Roja.'
    )
