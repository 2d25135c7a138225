"""Where no plan is feasible, the rules to blame and the smallest relaxation are named."""

from __future__ import annotations

from dataclasses import replace

import pytest

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.align import Alignment, Robust, align
from contactd.core.sequences.model import (
    Clock,
    Delay,
    KeepClear,
    Need,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
)
from contactd.core.sequences.rules import RuleKind

HOUR = 3_600.0
SPAN = (0.0, 48 * HOUR)


def covered(*pairs: tuple[float, float]) -> Coverage:
    return Coverage(*(IntervalSet.of(pairs),) * 3)


def services(**stations: Coverage) -> dict[str, dict[str, Coverage]]:
    return {"telemetry": stations}


def one_step(
    needs: Need | None = None, dial: Setting | None = None, give_or_take_s: float = 0.0
) -> Sequence:
    setting = dial or Setting(HOUR, 3 * HOUR, 600.0)
    return Sequence(
        "Lantern 3",
        "wake-up",
        (Step("receiver on", Delay(setting=setting), needs=(needs or Need("telemetry", 60, 60),)),),
        start=Start(StartStatus.EXPECTED, 0.0, None, 2 * HOUR, give_or_take_s=give_or_take_s),
    )


def by_rule(made: Alignment) -> dict[RuleKind, float | None]:
    assert made.options == ()
    return {each.rule: each.relaxation_s for each in made.blocked_by}


def test_a_contact_out_of_reach_blames_starts_and_dial_and_says_how_far_off_each_is() -> None:
    # Starts until 2 h and a dial until 3 h reach 5 h; the contact is covered from 7 h + 60 s on.
    made = align(one_step(), services(Heron=covered((7 * HOUR, 7.2 * HOUR))), SPAN)
    found = by_rule(made)
    assert found[RuleKind.STARTS] == pytest.approx(2 * HOUR + 61)
    assert found[RuleKind.SETTING] == pytest.approx(2 * HOUR + 600)
    needs = next(each for each in made.blocked_by if each.rule is RuleKind.NEEDS)
    assert needs.relaxation_s == pytest.approx(2 * HOUR + 61)
    assert needs.station == "Heron"
    dial = next(each for each in made.blocked_by if each.rule is RuleKind.SETTING)
    assert dial.relaxation == "let the setting take 5 h 10 min"


def test_needs_longer_than_any_contact_are_blamed_alone_with_what_is_missing() -> None:
    # 240 s needed, ± 10 s known, and 200 s are covered: 60 s too much, so 30 s before and after.
    sequence = one_step(Need("telemetry", 120.0, 120.0), give_or_take_s=10.0)
    made = align(sequence, services(Heron=covered((2 * HOUR, 2 * HOUR + 200))), SPAN)
    (blocker,) = made.blocked_by
    assert blocker.step == "receiver on"
    assert blocker.rule is RuleKind.NEEDS
    assert blocker.relaxation_s == pytest.approx(31.0)
    assert "4 min are needed" in blocker.reason
    assert "lasts 3 min 20 s" in blocker.reason


def test_a_service_that_no_station_offers_is_said_to_be_missing() -> None:
    made = align(one_step(Need("ranging")), services(Heron=covered((0, HOUR))), SPAN)
    (blocker,) = made.blocked_by
    assert "no station certainly has ranging" in blocker.reason
    assert blocker.relaxation_s is None


def test_people_near_are_blamed_by_how_much_longer_they_stay_than_they_may() -> None:
    step = Step("motor", Delay(fixed_s=HOUR), hazard="motor", keep_clear=KeepClear(60.0, 600.0))
    sequence = Sequence(
        "Lantern 3",
        "wake-up",
        (step,),
        start=Start(StartStatus.EXPECTED, 0.0, None, 2 * HOUR),
        people_near=IntervalSet([0.0], [4 * HOUR]),
    )
    made = align(sequence, {}, SPAN)
    found = by_rule(made)
    # The latest expiry is at 3 h, and must be clear from 60 s before.
    assert found[RuleKind.PEOPLE] == pytest.approx(HOUR + 61)
    assert found[RuleKind.STARTS] == pytest.approx(HOUR + 61)
    assert made.hazardous


def test_a_dial_that_is_set_already_is_told_the_nearest_value_that_would_do() -> None:
    made = align(
        one_step(),
        services(Heron=covered((3.5 * HOUR, 3.6 * HOUR))),
        SPAN,
        starts=IntervalSet([1.0 * HOUR], [1.1 * HOUR]),
        settings={"receiver on": HOUR},
    )
    dial = next(each for each in made.blocked_by if each.rule is RuleKind.SETTING)
    assert dial.relaxation == "set it to 2 h 30 min"
    assert dial.relaxation_s == pytest.approx(1.5 * HOUR)


def test_a_margin_that_cannot_be_had_is_answered_with_the_one_that_can() -> None:
    made = align(
        one_step(), services(Heron=covered((4 * HOUR, 4 * HOUR + 320))), SPAN, least_margin_s=200
    )
    margin = next(each for each in made.blocked_by if each.rule is RuleKind.MARGIN)
    assert margin.relaxation == "accept a margin of 1 min 40 s"


def test_a_plan_that_cannot_survive_a_lost_station_says_what_is_had_without() -> None:
    made = align(
        one_step(),
        services(Heron=covered((4 * HOUR, 4 * HOUR + 320))),
        SPAN,
        robust=Robust.STATION,
    )
    rule = next(each for each in made.blocked_by if each.rule is RuleKind.ROBUST)
    assert rule.relaxation == "do without surviving it: the margin can then be 1 min 40 s"


def test_conflicts_side_by_side_are_answered_with_changes_that_belong_together() -> None:
    steps = (
        Step("first", Delay(fixed_s=HOUR), needs=(Need("telemetry"),)),
        Step("second", Delay(fixed_s=2 * HOUR), needs=(Need("telemetry"),)),
    )
    sequence = Sequence(
        "Lantern 3", "wake-up", steps, start=Start(StartStatus.EXPECTED, 0.0, None, 600.0)
    )
    # Both steps come 5 h before the contacts, and the contacts are an hour and a half apart.
    heron = covered((6 * HOUR, 6 * HOUR + 300), (7.5 * HOUR, 7.5 * HOUR + 300))
    made = align(sequence, services(Heron=heron), SPAN)
    together = [each for each in made.blocked_by if "together" in each.relaxation]
    assert len(together) == 2
    assert {each.rule for each in together} == {RuleKind.STARTS, RuleKind.NEEDS}


def test_the_smallest_relaxation_is_enough_and_a_second_less_is_not() -> None:
    coverage = services(Heron=covered((7 * HOUR, 7.05 * HOUR), (9 * HOUR, 9.2 * HOUR)))
    steps = (
        Step(
            "a", Delay(setting=Setting(HOUR, 2 * HOUR, 600.0)), needs=(Need("telemetry", 30, 30),)
        ),
        Step("b", Delay(fixed_s=2.1 * HOUR), after=("a",), needs=(Need("telemetry", 60, 200),)),
    )
    sequence = Sequence(
        "Lantern 3",
        "wake-up",
        steps,
        start=Start(StartStatus.EXPECTED, 0.0, None, 2 * HOUR, give_or_take_s=15.0),
        clock=Clock(100.0),
    )
    made = align(sequence, coverage, SPAN)
    starts = next(each for each in made.blocked_by if each.rule is RuleKind.STARTS)
    assert starts.relaxation_s is not None
    for by, feasible in ((starts.relaxation_s, True), (starts.relaxation_s - 1, False)):
        wider = replace(sequence, start=replace(sequence.start, earliest=-by, latest=2 * HOUR + by))
        span = (SPAN[0] - 24 * HOUR, SPAN[1])
        assert bool(align(wider, coverage, span).options) is feasible
