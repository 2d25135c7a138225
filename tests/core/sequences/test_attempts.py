"""Attempts of which it is not known whether they started the sequence, beside other starts."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core import record as kinds
from contactd.core.instants import from_text, to_text
from contactd.core.record import Record
from contactd.core.sequences.expiry import known_start, timeline
from contactd.core.sequences.knowledge import learn
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Delay, Sequence, Start, StartStatus, Step

T0 = from_text("2026-12-03T08:00:00Z")
RELEASE = Step("antenna release", Delay(fixed_s=3600.0), hazard="deployment")


def sequence(start: Start) -> Sequence:
    return Sequence("Lantern 3", "wake-up", (RELEASE,), start=start)


def configured(status: StartStatus, first: float, last: float) -> Start:
    return Start(status, T0 + first, T0 + (first + last) / 2, T0 + last)


def bounds(first: float, last: float) -> dict[str, Any]:
    return {"earliest": to_text(T0 + first, 6), "latest": to_text(T0 + last, 6)}


def told(*facts: tuple[str, float, dict[str, Any]]) -> SequenceKnowledge:
    known = SequenceKnowledge()
    for number, (kind, at, body) in enumerate(facts, 1):
        record = Record(T0 + at, kind, "Lantern 3/wake-up", "Ada", body, number=number)
        known = learn(known, record)
    return known


def attempt(first: float, last: float) -> tuple[str, float, dict[str, Any]]:
    return kinds.START_ATTEMPTED, last + 1, bounds(first, last)


def no_start(at: float) -> tuple[str, float, dict[str, Any]]:
    return kinds.START_REFUTED, at, {"why": "the switch was found open"}


def expiry(start: Start, *facts: tuple[str, float, dict[str, Any]]) -> tuple[float, float]:
    found = timeline(sequence(start), told(*facts)).expiries["antenna release"]
    assert found is not None
    return found.earliest - T0, found.latest - T0


def test_an_attempt_leaves_a_configured_observed_start_as_it_is() -> None:
    observed = configured(StartStatus.OBSERVED, -1200, -1180)
    assert expiry(observed, attempt(100, 110)) == pytest.approx((2400, 2420))
    assert known_start(sequence(observed), told(attempt(100, 110))).status is StartStatus.OBSERVED


def test_an_attempt_is_joined_with_a_configured_start_in_doubt() -> None:
    doubt = configured(StartStatus.IN_DOUBT, -1200, -1180)
    assert expiry(doubt, attempt(100, 110)) == pytest.approx((2400, 3710))
    assert known_start(sequence(doubt), told(attempt(100, 110))).status is StartStatus.IN_DOUBT


def test_an_attempt_after_a_stopped_run_does_not_bring_that_run_back() -> None:
    pending = Start()
    stopped = (kinds.SEQUENCE_STOPPED, 500, {"at": to_text(T0 + 500, 6)})
    facts = (attempt(0, 10), stopped, attempt(900, 910))
    assert expiry(pending, *facts) == pytest.approx((4500, 4510))
    observed = configured(StartStatus.OBSERVED, 0, 10)
    assert expiry(observed, stopped, attempt(900, 910)) == pytest.approx((4500, 4510))


def test_a_refuted_attempt_after_a_stopped_run_brings_back_what_was_known_of_that_run() -> None:
    stopped = (kinds.SEQUENCE_STOPPED, 500, {"at": to_text(T0 + 500, 6)})
    before = told(attempt(0, 10), stopped)
    after = told(attempt(0, 10), stopped, attempt(900, 910), no_start(1000))
    assert after == before


def test_a_stop_after_an_attempt_ends_the_configured_start_beside_it_too() -> None:
    observed = configured(StartStatus.OBSERVED, -1200, -1180)
    stopped = (kinds.SEQUENCE_STOPPED, 500, {"at": to_text(T0 + 500, 6)})
    found = known_start(sequence(observed), told(attempt(100, 110), stopped))
    assert found.status is StartStatus.STOPPED
    assert found.earliest == pytest.approx(T0 - 1200)


@pytest.mark.parametrize("in_ledger", [False, True])
def test_a_planned_start_is_in_force_again_when_the_attempt_is_refuted(in_ledger: bool) -> None:
    plan = configured(StartStatus.EXPECTED, 7200, 7260)
    planned = (kinds.START_PLANNED, 0, bounds(7200, 7260))
    facts = (planned,) if in_ledger else ()
    start = Start() if in_ledger else plan
    during = known_start(sequence(start), told(*facts, attempt(100, 110)))
    assert during.status is StartStatus.IN_DOUBT
    after = known_start(sequence(start), told(*facts, attempt(100, 110), no_start(200)))
    assert after.status is StartStatus.EXPECTED
    assert (after.earliest, after.latest) == pytest.approx((T0 + 7200, T0 + 7260))


@pytest.mark.parametrize("in_ledger", [False, True])
def test_of_a_plan_only_what_lies_after_the_refutation_is_left(in_ledger: bool) -> None:
    plan = configured(StartStatus.EXPECTED, 0, 7200)
    facts = ((kinds.START_PLANNED, -10, bounds(0, 7200)),) if in_ledger else ()
    start = Start() if in_ledger else plan
    after = known_start(sequence(start), told(*facts, attempt(100, 110), no_start(3000)))
    assert after.status is StartStatus.EXPECTED
    assert after.earliest == pytest.approx(T0 + 3000)
    late = known_start(sequence(start), told(*facts, attempt(100, 110), no_start(8000)))
    assert late.status is StartStatus.REFUTED


def test_no_start_without_an_attempt_takes_the_plan_back() -> None:
    plan = configured(StartStatus.EXPECTED, 7200, 7260)
    assert known_start(sequence(plan), told(no_start(0))).status is StartStatus.REFUTED


SLOT_S = 100.0
CONFIGURED = st.sampled_from(
    [None, StartStatus.OBSERVED, StartStatus.IN_DOUBT, StartStatus.EXPECTED]
)
FACTS = st.lists(
    st.sampled_from(["attempt", "observed", "no start", "planned", "stop"]), max_size=5
)


@settings(max_examples=400, deadline=None)
@given(CONFIGURED, FACTS)
def test_every_start_that_the_records_leave_possible_is_within_the_bounds(
    status: StartStatus | None, facts: list[str]
) -> None:
    """Against a brute-force model: the set of past starts of which any may have happened."""
    at = itertools.count()
    start = Start()
    possible: set[float] = set()
    certain = False
    if status is not None:
        slot = next(at) * SLOT_S
        late = status is StartStatus.EXPECTED
        start = configured(status, slot + 1e5 * late, slot + 10 + 1e5 * late)
        if not late:
            possible, certain = {slot, slot + 10}, status is StartStatus.OBSERVED
    records = []
    for fact in facts:
        slot = next(at) * SLOT_S
        told_at = slot + 50
        if fact == "attempt":
            records.append((kinds.START_ATTEMPTED, told_at, bounds(slot, slot + 10)))
            if not certain:
                possible |= {slot, slot + 10}
        elif fact == "observed":
            records.append((kinds.START_OBSERVED, told_at, bounds(slot, slot + 10)))
            possible, certain = {slot, slot + 10}, True
        elif fact == "no start":
            records.append((kinds.START_REFUTED, told_at, {}))
            possible, certain = set(), False
        elif fact == "stop":
            records.append((kinds.SEQUENCE_STOPPED, told_at, {"at": to_text(T0 + told_at, 6)}))
            possible, certain = set(), False
        elif not possible:  # else a plan is a contradiction, which changes nothing
            records.append((kinds.START_PLANNED, told_at, bounds(2e5, 2e5 + 10)))
    found = known_start(sequence(start), told(*records))
    if possible:
        assert found.may_run
        assert found.earliest is not None
        assert found.latest is not None
        assert found.earliest - T0 == pytest.approx(min(possible), abs=1e-5)
        assert found.latest - T0 == pytest.approx(max(possible), abs=1e-5)
        assert (found.status is StartStatus.OBSERVED) is certain
    else:
        assert not found.may_run
