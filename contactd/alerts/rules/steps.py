"""Sequences: starts that nobody confirmed, steps that run out, seen or unseen."""

from __future__ import annotations

from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.hazards import keep_clear_candidates, stop_candidates
from contactd.alerts.rules.scope import Scope
from contactd.alerts.rules.service import service_condition
from contactd.alerts.rules.step import AHEAD, TIMED, StepAtHand, start_facts
from contactd.alerts.words import moment, span
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.cautions import NOTICE
from contactd.core.sequences.model import (
    Covered,
    SequenceForecast,
    StartStatus,
    StepForecast,
    StepStatus,
)


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
            yield from _view_conditions(each)


def _start_candidates(scope: Scope, forecast: SequenceForecast) -> Iterator[Candidate]:
    start = forecast.start
    where = f"{forecast.target}/{forecast.sequence}"
    name = f"{forecast.sequence} of {forecast.target}"
    if start.status is StartStatus.EXPECTED and start.latest is not None:
        yield service_condition(
            kinds.START_UNCONFIRMED,
            Severity.CAUTION,
            start.latest,
            f"{name} should have been started by {moment(start.latest)}; nobody has said so.",
            f'Find out, then enter it: contactd record start "{forecast.target}" '
            f'"{forecast.sequence}" …, or that it was not started.',
            target=forecast.target,
            subject=where,
            detail=f"{where}|{start.record}",
            rests_on=forecast.target,
            facts={"start": start_facts(forecast)},
        )
    if start.status is StartStatus.IN_DOUBT and start.earliest is not None:
        yield service_condition(
            kinds.START_IN_DOUBT,
            Severity.WARNING,
            start.earliest,
            f"It is not known whether {name} was started; it must be treated as running.",
            "Look for the effect of its steps; until it is refuted or ruled on, keep clear. "
            + NOTICE,
            target=forecast.target,
            subject=where,
            detail=f"{where}|{start.record}",
            rests_on=forecast.target,
            facts={"start": start_facts(forecast)},
        )
    if forecast.conflicts:
        yield service_condition(
            kinds.CONFLICTING_RECORDS,
            Severity.CAUTION,
            scope.now,
            f"Records about {name} contradict each other: {forecast.conflicts[-1]}",
            "What was consistent before stays in force: check the entries and rule on them.",
            target=forecast.target,
            subject=where,
            detail=f"{where}|{len(forecast.conflicts)}|{forecast.conflicts[-1]}",
            rests_on=forecast.target,
            facts={"conflicts": list(forecast.conflicts[-10:])},
        )


def _expiry_events(each: StepAtHand) -> Iterator[Candidate]:
    step = each.step
    assert step.earliest is not None
    assert step.latest is not None
    leads = each.scope.policy.for_target(step.target).step_s
    planned = step.status is StepStatus.PLANNED
    condition = " if it is started as planned" if planned else ""
    for earliest, latest in ((step.earliest, step.latest), *step.later_acts):
        for lead_s in leads:
            due = earliest - lead_s
            if each.scope.covers(due, latest):
                yield each.candidate(
                    kinds.STEP_EXPIRING,
                    Sort.EVENT,
                    each.severity(Severity.ADVISORY, Severity.CAUTION),
                    f"{each.name} runs out{condition}: {span(earliest, latest)}.",
                    _expiry_advice(each),
                    due=due,
                    moment=earliest,
                    over_at=latest,
                    lead_s=lead_s,
                )
    over_at = step.latest + each.scope.policy.worth_telling_after_s
    if planned or not each.scope.covers(step.latest, over_at):
        return
    yield each.candidate(
        kinds.STEP_EXPIRED,
        Sort.EVENT,
        each.severity(Severity.ADVISORY, Severity.CAUTION),
        f"{each.name} must have run out by now: {span(step.earliest, step.latest)}.",
        _confirm_advice(step),
        due=step.latest,
        moment=step.latest,
        over_at=over_at,
    )


def _expiry_advice(each: StepAtHand) -> str:
    step = each.step
    parts = []
    if step.coverage is Covered.COVERED and step.stations:
        parts.append(f"It will be in view of {_names(step.stations)}.")
    elif step.coverage is not None:
        parts.append(f"Its needs are {step.coverage.value}.")
    if each.can_be_stopped and step.stop_by is not None:
        parts.append(f"It can be stopped until {moment(step.stop_by)}{each.through}.")
    return " ".join(parts) or "Watch for it."


def _confirm_advice(step: StepForecast) -> str:
    if step.confirm_at is None:
        return "No contact that could confirm it is predicted yet."
    where = f" at {step.confirm_station}" if step.confirm_station else ""
    return f"Look for its effect from {moment(step.confirm_at)}{where}, then enter it as seen."


def _view_conditions(each: StepAtHand) -> Iterator[Candidate]:
    step = each.step
    assert step.earliest is not None
    assert step.latest is not None
    running = step.status is not StepStatus.PLANNED
    if step.coverage is Covered.UNCOVERED:
        grave = running or each.grave
        yield each.candidate(
            kinds.STEP_UNCOVERED,
            Sort.CONDITION,
            Severity.WARNING if grave else Severity.CAUTION,
            f"{each.name} {'runs' if running else 'would run'} out with no station in view: "
            f"{span(step.earliest, step.latest)}.",
            _unserved_advice(each),
            due=each.scope.now,
            moment=step.earliest,
            over_at=step.latest,
            meets=(step.earliest, step.latest),
        )
    if step.coverage is Covered.AT_RISK:
        yield each.candidate(
            kinds.STEP_AT_RISK,
            Sort.CONDITION,
            Severity.CAUTION,
            f"{each.name} may run out with no station in view: {span(step.earliest, step.latest)}.",
            _unserved_advice(each),
            due=each.scope.now,
            moment=step.earliest,
            over_at=step.latest,
            meets=(step.earliest, step.latest),
        )


def _unserved_advice(each: StepAtHand) -> str:
    step = each.step
    why = step.coverage_because
    parts = [f"{why[0].upper()}{why[1:]}."] if why else []
    if step.status is StepStatus.PLANNED:
        parts.append("Choose another start or setting (contactd align shows which).")
    elif each.can_be_stopped and step.stop_by is not None:
        parts.append(f"Stop it by {moment(step.stop_by)}{each.through}, or prepare to do without.")
    else:
        parts.append("Prepare to do without; ask other stations for help.")
    if step.confirm_at is not None:
        where = f" at {step.confirm_station}" if step.confirm_station else ""
        parts.append(f"First look afterwards: {moment(step.confirm_at)}{where}.")
    return " ".join(parts)


def _names(stations: tuple[str, ...]) -> str:
    if len(stations) < 2:
        return "".join(stations)
    return f"{', '.join(stations[:-1])} and {stations[-1]}"
