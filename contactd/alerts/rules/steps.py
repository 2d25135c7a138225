"""Sequences: starts that nobody confirmed, steps that expire, covered or not."""

from __future__ import annotations

import math
from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.commands import command_candidates
from contactd.alerts.rules.hazards import keep_clear_candidates, stop_candidates
from contactd.alerts.rules.scope import Scope
from contactd.alerts.rules.service import service_condition
from contactd.alerts.rules.step import AHEAD, TIMED, StepAtHand, start_facts
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import (
    Covered,
    SequenceForecast,
    StartStatus,
    StepStatus,
)
from contactd.mission.texts import starts
from contactd.mission.texts import steps as texts
from contactd.mission.texts.notice import NOTICE
from contactd.mission.texts.text import Look


def sequence_candidates(
    scope: Scope, outlook: TargetOutlook, forecast: SequenceForecast
) -> Iterator[Candidate]:
    """All that is worth telling of a sequence and its steps."""
    yield from _start_candidates(scope, forecast)
    for step in forecast.steps:
        each = StepAtHand(scope, outlook, forecast, step)
        yield from keep_clear_candidates(each)
        if step.earliest is None or step.latest is None or step.status not in TIMED:
            continue
        yield from _expiry_events(each)
        yield from stop_candidates(each)
        if step.status in AHEAD:
            yield from command_candidates(each)
            yield from _view_conditions(each)


def _start_candidates(scope: Scope, forecast: SequenceForecast) -> Iterator[Candidate]:
    start = forecast.start
    where = f"{forecast.target}/{forecast.sequence}"
    if start.status is StartStatus.EXPECTED and start.latest is not None:
        yield service_condition(
            kinds.START_UNCONFIRMED,
            Severity.CAUTION,
            start.latest,
            starts.start_unconfirmed(forecast.target, forecast.sequence, start.latest),
            target=forecast.target,
            subject=where,
            detail=where,
            rests_on=forecast.target,
            decide_by=math.inf,
            facts={"start": start_facts(forecast)},
        )
    if start.status is StartStatus.IN_DOUBT and start.earliest is not None:
        yield service_condition(
            kinds.START_IN_DOUBT,
            Severity.WARNING,
            start.earliest,
            starts.start_in_doubt(
                forecast.target,
                forecast.sequence,
                start.earliest,
                start.latest or start.earliest,
                _first_look(forecast),
                scope.now,
                NOTICE if any(step.hazard for step in forecast.steps) else "",
            ),
            target=forecast.target,
            subject=where,
            detail=where,
            rests_on=forecast.target,
            decide_by=math.inf,
            facts={"start": start_facts(forecast)},
        )
    if forecast.conflicts:
        yield service_condition(
            kinds.CONFLICTING_RECORDS,
            Severity.CAUTION,
            scope.now,
            starts.conflicting_records(forecast.target, forecast.sequence, forecast.conflicts[-1]),
            target=forecast.target,
            subject=where,
            detail=where,
            rests_on=forecast.target,
            decide_by=math.inf,
            facts={
                "conflicts": list(forecast.conflicts[-10:]),
                "parts": list(forecast.conflicts[-10:]),
            },
        )


def _first_look(forecast: SequenceForecast) -> Look | None:
    """The first contact at which some step can be confirmed."""
    looks = [
        Look(step.confirm_at, step.confirm_station or "")
        for step in forecast.steps
        if step.confirm_at is not None
    ]
    return min(looks, key=lambda look: look.at_s, default=None)


def _expiry_events(each: StepAtHand) -> Iterator[Candidate]:
    step = each.step
    assert step.earliest is not None
    assert step.latest is not None
    leads = each.scope.policy.for_target(step.target).step_s
    covered = step.coverage in (None, Covered.COVERED)
    for act, (earliest, latest) in enumerate(((step.earliest, step.latest), *step.later_acts)):
        for lead_s in leads:
            due = earliest - lead_s
            keeps = lead_s == max(leads)
            if each.scope.covers(due - lead_s if keeps else due, latest):
                yield each.candidate(
                    kinds.STEP_EXPIRING,
                    Sort.EVENT,
                    each.severity(Severity.ADVISORY, Severity.CAUTION),
                    texts.step_expiring(
                        each.expiring(earliest, latest), step.stations, covered, each.told_at(due)
                    ),
                    due=due,
                    moment=earliest,
                    over_at=latest,
                    span=(earliest, latest),
                    lead_s=lead_s,
                    keeps=keeps,
                    turns=(earliest, step.stop_by),
                    of=f"act {act + 1}" if act else "",
                )
    over_at = step.latest + each.scope.policy.worth_telling_after_s
    if step.status is StepStatus.PLANNED or not each.scope.covers(step.latest, over_at):
        return
    yield each.candidate(
        kinds.STEP_EXPIRED,
        Sort.EVENT,
        each.severity(Severity.ADVISORY, Severity.CAUTION),
        texts.step_expired(each.expiring(step.earliest, step.latest), each.told_at(step.latest)),
        due=step.latest,
        moment=step.latest,
        over_at=over_at,
    )


def _view_conditions(each: StepAtHand) -> Iterator[Candidate]:
    step = each.step
    assert step.earliest is not None
    assert step.latest is not None
    expiring = each.expiring(step.earliest, step.latest)
    if step.coverage is Covered.UNCOVERED:
        grave = not expiring.planned or each.grave
        helps = step.cause is None or not step.cause.conditions
        yield each.candidate(
            kinds.STEP_UNCOVERED,
            Sort.CONDITION,
            Severity.WARNING if grave else Severity.CAUTION,
            texts.step_uncovered(expiring, each.scope.now, helps),
            due=each.scope.now,
            moment=step.earliest,
            over_at=step.latest,
            span=(step.earliest, step.latest),
            decide_by=None if each.stop is None else each.stop.by_s,
            turns=(step.earliest, step.stop_by),
        )
    if step.coverage is Covered.AT_RISK:
        yield each.candidate(
            kinds.STEP_AT_RISK,
            Sort.CONDITION,
            Severity.CAUTION,
            texts.step_at_risk(expiring, each.scope.now),
            due=each.scope.now,
            moment=step.earliest,
            over_at=step.latest,
            span=(step.earliest, step.latest),
            decide_by=None if each.stop is None else each.stop.by_s,
            turns=(step.earliest, step.stop_by),
        )
