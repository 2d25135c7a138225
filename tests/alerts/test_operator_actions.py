"""What people do about alerts: acknowledge, silence, lift, try again."""

import pytest

from contactd.alerts import AlertState, fold_alerts, operator_actions
from contactd.core.alert import DeadLetter
from contactd.core.errors import InputError
from contactd.records import Ledger


def test_an_acknowledgement_counts_once_and_keeps_its_remark(letters):
    made = [
        operator_actions.acknowledgement(letters.alert, name, letters.noon, "  on it ")
        for name in ("Ada", "Grace")
    ]
    with Ledger.open("sqlite://") as ledger:
        stored = ledger.append(made)
        assert ledger.last_number() == 1
    assert stored[1].author == "Ada"
    assert stored[0].body == {"identity": letters.alert.identity, "remark": "on it"}


def test_a_silence_becomes_a_window_of_the_state_until_it_is_lifted(letters):
    now = letters.noon
    record = operator_actions.silence(
        now, now + 3600, "antenna work", "Ada", now, targets=["Lantern 3"], warnings=True
    )
    state = fold_alerts(AlertState(), [record])
    (window,) = state.silences.values()
    assert window.holds_back(letters.alert, now + 10)
    lifted = fold_alerts(state, [operator_actions.lifting(window, "Grace", now + 60)])
    (ended,) = lifted.silences.values()
    assert not ended.holds_back(letters.alert, now + 61)
    with pytest.raises(InputError, match="not ended yet"):
        operator_actions.lifting(ended, "Ada", now + 100)


@pytest.mark.parametrize(
    ("begins", "ends", "why", "more", "says"),
    [
        (0, 3600, " ", {}, "reason"),
        (0, 0, "x", {}, "a time after"),
        (-7200, -3600, "x", {}, "after now"),
        (0, float("inf"), "x", {}, "every silence has an end"),
        (0, 31 * 86_400, "x", {}, "at most 30 d"),
        (0, 3600, "x", {"targets": []}, "at least one target"),
    ],
)
def test_a_silence_without_reason_or_end_is_refused(letters, begins, ends, why, more, says):
    now = letters.noon
    with pytest.raises(InputError, match=says):
        operator_actions.silence(now + begins, now + ends, why, "Ada", now, **more)


def test_a_letter_is_tried_again_once_for_each_time_that_it_was_given_up(letters):
    def letter(at: float) -> DeadLetter:
        return DeadLetter("a", "mail", ("a",), ("a",), 3, "550 no", at)

    first = operator_actions.retry(letter(letters.noon), "Ada", letters.noon + 5)
    same = operator_actions.retry(letter(letters.noon), "Grace", letters.noon + 9)
    later = operator_actions.retry(letter(letters.noon + 60), "Ada", letters.noon + 70)
    assert first.identity == same.identity != later.identity
