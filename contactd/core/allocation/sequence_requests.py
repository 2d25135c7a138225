"""What sequences want of stations: contacts for stops, and for what steps need when they expire.

These are asked for by themselves, with every plan, and go before everything else. They rest on
coverage that nobody's grants were taken out of, for what is not granted can still be asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from contactd.core.allocation.request import Request
from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet, at_least, union
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.coverage import Conditions, coverage_for
from contactd.core.sequences.model import Need, Sequence, Step, StepForecast, StepStatus
from contactd.core.sequences.stopping import COMMAND
from contactd.core.target import Target

AHEAD = (StepStatus.PLANNED, StepStatus.RUNNING, StepStatus.EXPIRING)
STOP_S = 60.0
"""A stop is asked at least so much time for, where there is so much."""
SHORTEST_S = 1.0
WHOLE_S = 1e9
"""Longer than anything: what these are asked for is never cut into parts."""
# Among what is urgent (common practice, no source): whom it may hurt, then what it may cost. Each
# goes before all of the lower ones together.
STOP_NEAR_PEOPLE, STOP_OF_HAZARD, STOP, NEED_OF_HAZARD, NEED = 12, 10, 6, 4, 3
STOP_NAME, NEED_NAME = "stop of ", "need of "
"""How the names of these requests begin; no other request's name may."""


def urgent_requests(
    target: Target,
    outlook: TargetOutlook,
    now: float,
    conditions: Conditions | None = None,
    light_time_s: float = 0.0,
) -> tuple[Request, ...]:
    """The requests that a target's running and planned sequences make by themselves.

    Args:
        outlook: with forecasts, and with all coverage that there is.
        now: instant (s).
        light_time_s: bound of the one-way light time.
    """
    sequences = {each.name: each for each in target.sequences}
    found: list[Request] = []
    for forecast in outlook.forecasts:
        sequence = sequences[forecast.sequence]
        begins = max(now, forecast.start.latest or now)
        for step in forecast.steps:
            if step.status not in AHEAD or step.earliest is None:
                continue
            stop = _stop(outlook, step, begins, light_time_s)
            found += [] if stop is None else [stop]
            found += _needs(outlook, sequence, step, now, conditions or Conditions())
    return tuple(found)


def _stop(
    outlook: TargetOutlook, step: StepForecast, begins: float, light_time_s: float
) -> Request | None:
    """Time to send a stop: the last certain one, or an earlier one if that cannot be had.

    Where none is certain any more, as early as can be had: the sooner, the more it prevents.
    """
    if not step.stop_possible:
        return None
    if step.stop_certain and step.stop_by is not None:
        deadline = step.stop_by + light_time_s
    else:
        begins = min(each.opens for each in step.stop_chances)
        deadline = max(each.closes for each in step.stop_chances) + light_time_s
    commands = outlook.services.get(COMMAND, {})
    sure = {
        name: each.certain.clip(begins, deadline)
        for name, each in commands.items()
        if deadline > begins
    }
    longest_s = _longest_s(union(sure.values()))
    if longest_s < SHORTEST_S:
        return None
    subject = f"{step.sequence}/{step.step}"
    return Request(
        target=outlook.target,
        name=f"{STOP_NAME}{subject}",
        service=COMMAND,
        priority=_priority(step),
        least_duration_s=min(STOP_S, longest_s),
        most_duration_s=WHOLE_S,
        count=1,
        per_day=False,
        not_before=begins,
        deadline=deadline,
        urgent=True,
        sure=True,
        late=bool(step.stop_certain),
        why=f"the stop of {outlook.target}/{subject}",
    )


def _priority(step: StepForecast) -> int:
    if not step.hazard:
        return STOP
    return STOP_NEAR_PEOPLE if step.people_in_danger else STOP_OF_HAZARD


def _needs(
    outlook: TargetOutlook,
    sequence: Sequence,
    step: StepForecast,
    now: float,
    conditions: Conditions,
) -> list[Request]:
    needs = sequence.step(step.step).needs
    made = [_need(outlook, sequence.step(step.step), step, need, now, conditions) for need in needs]
    return [
        request if number == 0 else _renamed(request, number)
        for number, request in enumerate(each for each in made if each is not None)
    ]


def _renamed(request: Request, number: int) -> Request:
    return replace(request, name=f"{request.name} ({number + 1})")


def _need(
    outlook: TargetOutlook,
    step: Step,
    forecast: StepForecast,
    need: Need,
    now: float,
    conditions: Conditions,
) -> Request | None:
    """Time for all that a step needs around its expiry, or for as much as there is."""
    assert forecast.earliest is not None
    assert forecast.latest is not None
    start = max(forecast.earliest - need.before_s, now)
    end = forecast.latest + need.after_s
    coverage, _ = coverage_for(need, outlook.services, conditions, frozenset())
    sure = _within(coverage, start, end)
    if need.stations > 1:
        longest_s = _longest_s(at_least(need.stations, sure.values()))
    else:
        longest_s = max((_longest_s(each) for each in sure.values()), default=0.0)
        if need.handover:
            longest_s = max(longest_s, _longest_s(union(sure.values())))
    if longest_s < SHORTEST_S:
        return None
    subject = f"{forecast.sequence}/{forecast.step}"
    return Request(
        target=outlook.target,
        name=f"{NEED_NAME}{subject}",
        service=need.service,
        priority=NEED_OF_HAZARD if step.hazard else NEED,
        least_duration_s=longest_s,
        most_duration_s=WHOLE_S,
        count=1,
        per_day=False,
        not_before=start,
        deadline=end,
        handover_overlap_s=0.0 if need.handover and need.stations == 1 else None,
        stations_at_once=need.stations,
        urgent=True,
        sure=True,
        within=sure,
        why=f"what {outlook.target}/{subject} needs when it expires",
    )


def _within(coverage: Mapping[str, Coverage], start: float, end: float) -> dict[str, IntervalSet]:
    if end <= start:
        return {}
    return {name: each.certain.clip(start, end) for name, each in coverage.items()}


def _longest_s(instants: IntervalSet) -> float:
    return float(instants.durations_s.max(initial=0.0))
