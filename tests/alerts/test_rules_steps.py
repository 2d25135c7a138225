"""Steps: running out, out of view, last moment to stop, keep-clear, people in danger."""

from dataclasses import replace

import pytest

from contactd.alerts import Leads, Policy, candidates
from contactd.alerts.candidate import Sort
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.sequences.model import Cause, Covered, Start, StartStatus, StepStatus
from contactd.mission.texts.notice import NOTICE

AHEAD = Policy(ahead_s=800.0)


def found(world, *steps, policy=AHEAD, since=None, start=None, **more):
    snapshot = world.snapshot(forecasts=[world.forecast(*steps, start=start)], **more)
    return candidates(snapshot, policy, world.noon, since).candidates


def of_kind(some, kind):
    return [each for each in some if each.kind == kind]


def test_a_running_step_is_told_each_lead_before_its_earliest_expiry(world):
    policy = Policy(Leads(step_s=(600.0, 60.0)), ahead_s=10_000.0)
    given = of_kind(found(world, world.step(3000, 3060), policy=policy), kinds.STEP_EXPIRING)
    assert [each.due - world.noon for each in given] == [2400.0, 2940.0]
    assert {each.over_at - world.noon for each in given} == {3060.0}


def test_every_act_of_a_repeating_step_is_told(world):
    later = ((world.noon + 46_200.0, world.noon + 46_260.0),)
    policy = Policy(Leads(step_s=(600.0,)), ahead_s=100_000.0)
    step = world.step(3000, 3060, later_acts=later)
    given = of_kind(found(world, step, policy=policy), kinds.STEP_EXPIRING)
    assert [each.moment - world.noon for each in given] == [3000.0, 46_200.0]
    assert not given[1].meets(given[0].begins, given[0].ends)


@pytest.mark.parametrize(
    ("status", "hazard", "severity"),
    [
        (StepStatus.RUNNING, None, Severity.WARNING),
        (StepStatus.EXPIRING, None, Severity.WARNING),
        (StepStatus.PLANNED, None, Severity.CAUTION),
        (StepStatus.PLANNED, "motor", Severity.WARNING),
    ],
)
def test_a_step_out_of_view_is_told_as_soon_as_it_is_known(world, status, hazard, severity):
    step = world.step(90_000, 90_060, coverage=Covered.UNCOVERED, status=status, hazard=hazard)
    given = of_kind(found(world, step), kinds.STEP_UNCOVERED)
    assert [each.due for each in given] == [world.noon]
    assert given[0].sort is Sort.CONDITION
    assert given[0].severity is severity
    assert given[0].over_at == world.noon + 90_060


def test_a_step_out_of_view_says_what_can_still_be_done(world):
    step = world.step(
        3000, 3060, coverage=Covered.UNCOVERED, stop_by=600, stop_station="Norrsund", stops="boom",
        cause=Cause(lacks=("service",), until=world.noon + 2280, outside_s=60), confirm_at=5000,
        confirm_station="Sable Point", hazard="deployment",
    )  # fmt: skip
    given = of_kind(found(world, step), kinds.STEP_UNCOVERED)[0]
    assert given.what == (
        "Step 'antenna release' of Lantern 3 expires uncovered, 2026-12-03 12:50:00Z to 12:51:00Z."
        " No service; coverage ends 12 min before the earliest expiry."
    )
    assert given.do == (
        "Controller: decide; to prevent it, stop 'boom' through Norrsund by 12:10:00Z."
        " First look 13:23:20Z, Sable Point."
    )
    assert given.text.notice == NOTICE


def test_a_planned_step_out_of_view_points_to_other_starts_and_settings(world):
    step = world.step(3000, 3060, coverage=Covered.UNCOVERED, status=StepStatus.PLANNED)
    given = of_kind(found(world, step), kinds.STEP_UNCOVERED)[0]
    assert "would be uncovered" in given.what
    assert "contactd align" in given.do


def test_a_step_at_risk_is_a_caution(world):
    given = of_kind(
        found(world, world.step(3000, 3060, coverage=Covered.AT_RISK)), kinds.STEP_AT_RISK
    )
    assert [each.severity for each in given] == [Severity.CAUTION]


@pytest.mark.parametrize(
    "status", [StepStatus.SEEN, StepStatus.STOPPED, StepStatus.EXPIRED, StepStatus.HELD]
)
def test_a_step_that_is_no_longer_ahead_is_no_view_matter(world, status):
    some = found(world, world.step(3000, 3060, coverage=Covered.UNCOVERED, status=status))
    assert not of_kind(some, kinds.STEP_UNCOVERED)


def test_the_last_moment_to_stop_is_told_before_and_after(world):
    policy = Policy(Leads(stop_by_s=(600.0, 120.0)), ahead_s=800.0)
    step = world.step(3000, 3060, stop_by=700, stop_station="Norrsund", hazard="deployment")
    some = found(world, step, policy=policy)
    coming = of_kind(some, kinds.STOP_BY_COMING)
    assert [each.due - world.noon for each in coming] == [100.0, 580.0]
    assert {each.severity for each in coming} == {Severity.WARNING}
    assert {each.over_at - world.noon for each in coming} == {700.0}
    passed = of_kind(some, kinds.STOP_BY_PASSED)
    assert [each.due - world.noon for each in passed] == [700.0]
    assert [each.over_at - world.noon for each in passed] == [3060.0]


def test_a_stop_that_has_passed_is_not_also_said_to_have_never_been_possible(world):
    step = world.step(3000, 3060, stop_by=-100, stop_possible=False, hazard="deployment")
    some = found(world, step)
    assert of_kind(some, kinds.STOP_BY_PASSED)
    assert not of_kind(some, kinds.NO_STOP)


@pytest.mark.parametrize(
    ("hazard", "severity"), [(None, Severity.CAUTION), ("motor", Severity.WARNING)]
)
def test_that_no_stop_is_possible_is_told_at_once(world, hazard, severity):
    step = world.step(90_000, 90_060, stop_possible=False, hazard=hazard)
    given = of_kind(found(world, step), kinds.NO_STOP)
    assert [(each.due, each.severity) for each in given] == [(world.noon, severity)]


def test_a_sequence_that_cannot_have_started_needs_no_stop_yet(world):
    start = Start(
        StartStatus.EXPECTED, world.noon + 200, world.noon + 300, world.noon + 400, record=0
    )
    step = world.step(3000, 3060, stop_by=700, status=StepStatus.PLANNED)
    policy = Policy(Leads(stop_by_s=(600.0, 120.0)), ahead_s=800.0)
    coming = of_kind(found(world, step, policy=policy, start=start), kinds.STOP_BY_COMING)
    # Both leads are due before the start: at the start, then; never before it.
    assert {each.due for each in coming} == {world.noon + 200, world.noon + 580}


def test_keep_clear_is_told_before_it_begins_when_it_begins_and_when_it_ends(world):
    policy = Policy(Leads(keep_clear_s=(900.0,)), ahead_s=5000.0)
    step = world.step(2000, 2060, keep_clear=(1000, 2660), hazard="deployment")
    some = found(world, step, policy=policy)
    begins = of_kind(some, kinds.KEEP_CLEAR_BEGINS)
    assert sorted(each.due - world.noon for each in begins) == [100.0, 1000.0]
    assert {each.severity for each in begins} == {Severity.CAUTION}
    ends = of_kind(some, kinds.KEEP_CLEAR_ENDS)
    assert [each.due - world.noon for each in ends] == [2660.0]
    assert "until range safety confirms" in ends[0].do


def test_the_keep_clear_of_a_step_that_was_seen_still_ends(world):
    step = world.step(-60, 0, status=StepStatus.SEEN, keep_clear=(-100, 500), hazard="motor")
    assert of_kind(found(world, step), kinds.KEEP_CLEAR_ENDS)


def test_people_near_during_keep_clear_is_a_warning_at_once(world):
    step = world.step(
        90_000, 90_060, keep_clear=(89_000, 91_000), people_in_danger=[(89_500, 90_500)],
        hazard="motor",
    )  # fmt: skip
    given = of_kind(found(world, step), kinds.PEOPLE_IN_DANGER)
    assert [(each.due, each.severity) for each in given] == [(world.noon, Severity.WARNING)]
    assert given[0].facts["people_in_keep_clear"] == {
        "from": "2026-12-04T12:51:40.000Z",
        "to": "2026-12-04T13:08:20.000Z",
    }


def test_a_step_that_ran_out_says_where_to_look_for_its_effect(world):
    step = world.step(-60, 0, status=StepStatus.EXPIRED, confirm_at=400, confirm_station="Norrsund")
    given = of_kind(found(world, step), kinds.STEP_EXPIRED)
    assert "check its effect through Norrsund from 12:06:40Z" in given[0].do


def test_an_expected_start_that_nobody_confirmed_is_a_caution_once_it_is_past(world):
    start = Start(StartStatus.EXPECTED, world.noon - 50, world.noon, world.noon + 50)
    given = of_kind(found(world, start=start), kinds.START_UNCONFIRMED)
    assert [(each.due - world.noon, each.severity) for each in given] == [(50.0, Severity.CAUTION)]
    assert "record start" in given[0].do


def test_a_start_in_doubt_is_a_warning(world):
    start = Start(StartStatus.IN_DOUBT, world.noon - 50, world.noon, world.noon + 50, record=9)
    hazardous = world.step(3000, 3060, hazard="motor")
    given = of_kind(found(world, hazardous, start=start), kinds.START_IN_DOUBT)
    assert [each.severity for each in given] == [Severity.WARNING]
    assert "Keep everyone away now" in given[0].do
    assert given[0].text.notice == NOTICE


def test_another_start_leaves_its_facts_the_same_alerts(world):
    def series(record: int) -> set[str]:
        start = Start(
            StartStatus.OBSERVED, world.noon - 30, world.noon - 20, world.noon, record=record
        )
        return {
            each.series
            for each in found(world, world.step(300, 360, coverage=Covered.UNCOVERED), start=start)
            if each.target and each.kind.startswith("step")
        }

    assert series(4) == series(7)


def test_conflicting_records_are_a_caution(world):
    forecast = world.forecast()
    conflicting = replace(forecast, conflicts=("record 9 (reading) not applied: …",))
    snapshot = world.snapshot(forecasts=[conflicting])
    given = of_kind(candidates(snapshot, AHEAD, world.noon).candidates, kinds.CONFLICTING_RECORDS)
    assert "Record 9" in given[0].what
