"""What people do about alerts: acknowledge, silence, lift, retry."""

from dataclasses import replace

import pytest

from contactd.alerts import AlertState, fold_alerts
from contactd.alerts.standing import standing
from contactd.core.errors import InputError
from contactd.mission.actions import (
    Acknowledge,
    Done,
    Letter,
    Lift,
    Raised,
    Retry,
    Silence,
    Standing,
    record_of,
)
from contactd.mission.together import Together, waiting_together
from contactd.records import Ledger


def test_an_acknowledgement_counts_once_and_keeps_its_note(letters):
    stand = Standing(alerts=(Raised(5, letters.alert, over=False),))
    made = [
        record_of(Acknowledge(given, "  on it "), stand, name, letters.noon)
        for name, given in (("Ada", 5), ("Grace", letters.alert.identity), ("Ida", "5"))
    ]
    with Ledger.open("sqlite://") as ledger:
        stored = ledger.append(made)
        assert ledger.last_number() == 1
    assert {each.author for each in stored} == {"Ada"}
    assert stored[0].body == {"identity": letters.alert.identity, "remark": "on it"}


def test_who_acknowledges_twice_is_told_who_has_it_in_hand_and_since_when(letters):
    raised = Raised(5, letters.alert, over=False, in_hand_s=letters.noon, in_hand_of="Ada")
    with pytest.raises(Done) as told:
        record_of(Acknowledge(5), Standing((raised,)), "Grace", letters.noon + 60)
    assert str(told.value) == "Alert 5: acknowledged by Ada at 12:00:00Z."


@pytest.mark.parametrize(
    ("stands", "says"),
    [
        ((), "Alert 5 is not waiting. Run contactd acknowledge to list."),
        ((True,), "Alert 5 is over. Run contactd acknowledge to list."),
    ],
)
def test_an_alert_that_does_not_wait_cannot_be_acknowledged(letters, stands, says):
    stand = Standing(tuple(Raised(5, letters.alert, over) for over in stands))
    with pytest.raises(InputError) as told:
        record_of(Acknowledge("5"), stand, "Ada", letters.noon)
    assert str(told.value) == says


def test_a_silence_becomes_a_window_of_the_state_until_it_is_lifted(letters):
    now = letters.noon
    action = Silence(now, now + 3600, "antenna work", targets=("Lantern 3",), warnings=True)
    with Ledger.open("sqlite://") as ledger:
        stored = ledger.append([record_of(action, Standing(), "Ada", now)])
        state = fold_alerts(AlertState(), stored)
        (window,) = state.silences.values()
        assert window.holds_back(letters.alert, now + 10)
        lift = record_of(Lift(1), standing(state, now + 60), "Grace", now + 60)
        lifted = fold_alerts(state, ledger.append([lift]))
    (ended,) = lifted.silences.values()
    assert not ended.holds_back(letters.alert, now + 61)
    with pytest.raises(Done, match=r"Silence 1 ended 12:01:00Z\."):
        record_of(Lift(1), standing(lifted, now + 100), "Ada", now + 100)


@pytest.mark.parametrize(
    ("begins", "ends", "why", "more", "says"),
    [
        (0, 3600, " ", {}, r"Reason is empty\. Enter it\."),
        (60, 30, "x", {}, r"--from is after --to\. Swap them\."),
        (-7200, -3600, "x", {}, r"--to is past\. Give a later time\."),
        (0, float("inf"), "x", {}, "every silence has an end"),
        (0, 31 * 86_400, "x", {}, "at most 30 d"),
        (0, 3600, "x", {"targets": ()}, "at least one target"),
    ],
)
def test_a_silence_without_reason_or_end_is_refused(letters, begins, ends, why, more, says):
    now = letters.noon
    with pytest.raises(InputError, match=says):
        record_of(Silence(now + begins, now + ends, why, **more), Standing(), "Ada", now)


def test_a_letter_is_tried_again_once_for_each_time_that_it_was_given_up(letters):
    def retried(at: float, by: str) -> str:
        stand = Standing(undelivered=(Letter(7, "a", "mail", at),))
        return record_of(Retry(7), stand, by, letters.noon + 90).identity

    noon = letters.noon
    assert retried(noon, "Ada") == retried(noon, "Grace") != retried(noon + 60, "Ada")


def test_nobody_without_a_name_does_anything(letters):
    with pytest.raises(InputError, match=r"No name\. Add --by NAME\."):
        record_of(Retry(7), Standing(), " ", letters.noon)


def named(alert, number, **changes):
    return Raised(number, replace(alert, identity=f"a-{number}", **changes), over=False)


def test_alerts_of_a_target_a_sequence_or_a_cause_are_acknowledged_together(letters):
    one = letters.alert
    stand = Standing(
        (
            named(one, 1, target="Lantern 3", subject="Lantern 3/wake-up/beacon on",
                  kind="step-uncovered", facts={"station": "Mesa Roja"}),
            named(one, 2, target="Lantern 3", subject="Lantern 3/wake-up", kind="start-in-doubt"),
            named(one, 3, target="Heron", subject="Heron", kind="elements-stale"),
            named(one, 4, target="Heron", subject="Heron/wake-up/mast", kind="step-uncovered"),
            replace(named(one, 5, target="Heron"), in_hand_s=letters.noon, in_hand_of="Ada"),
            replace(named(one, 6, target="Heron"), over=True),
        )
    )  # fmt: skip

    def found(**given):
        return [each.number for each in waiting_together(Together(**given), stand)]

    assert found(target="heron") == [3, 4]
    assert found(sequence="wake-up") == [1, 2, 4]
    assert found(target="Lantern 3", sequence="wake-up", cause="beacon on") == [1]
    assert found(cause="step-uncovered") == [1, 4]
    assert found(cause="Mesa Roja") == [1]
    assert found(target="Heron", only=frozenset({"a-4", "a-1"})) == [4]
    with pytest.raises(InputError, match="No alert of target 'Heron', cause 'beacon on' is wait"):
        found(target="Heron", cause="beacon on")
    with pytest.raises(InputError, match="Nothing says which alerts"):
        found(only=frozenset({"a-1"}))
