"""Alignment: which settings, and which start times, put every step where it is wanted.

``align`` answers before the start. With all settings open it chooses them; with some chosen
already it says which start times remain; with start times given it says which settings fit. The
best option is proved to be the best, see :mod:`contactd.core.sequences.search`; where there is
none, :mod:`contactd.core.sequences.blocked` says why and what the smallest relaxation is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from contactd.core.errors import InputError
from contactd.core.intervals import IntervalSet, intersection
from contactd.core.sequences.blocked import blockers
from contactd.core.sequences.clocks import ClockScale
from contactd.core.sequences.coverage import Conditions, Services
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence, Start, StartStatus, StepForecast
from contactd.core.sequences.naming import checked_setting
from contactd.core.sequences.problem import build, offsets
from contactd.core.sequences.results import Alignment, Blocker, Option, Slip
from contactd.core.sequences.rules import Question, Robust, rules
from contactd.core.sequences.search import Found, Rank, Search
from contactd.core.sequences.stopping import LightTime

__all__ = [
    "Alignment",
    "Blocker",
    "Option",
    "Rank",
    "Robust",
    "Slip",
    "align",
    "remaining_starts",
    "slip",
]

MOST_OPTIONS = 100


def align(
    sequence: Sequence,
    services: Services,
    span: tuple[float, float],
    *,
    starts: IntervalSet | None = None,
    settings: Mapping[str, float] | None = None,
    conditions: Conditions | None = None,
    light_time_s: LightTime = 0.0,
    rank: Rank = Rank.MARGIN,
    robust: Robust = Robust.NOTHING,
    most: int = 5,
    least_margin_s: float = 0.0,
    explain: bool = True,
) -> Alignment:
    """The best settings and start times.

    Args:
        services, span, conditions, light_time_s: as for a forecast.
        starts: allowed start times; those of the sequence's start, or all of the span, if None.
        settings: those that are fixed, by step (seconds).
        rank: ``margin`` (greatest first), ``finish`` (earliest first), or ``stations`` (most
            stations that can each serve every step alone first, then margin).
        robust: what the plan must survive without leaving a step uncovered.
        most: how many options are wanted.
        least_margin_s: options with a smaller margin are of no interest.
        explain: whether to work out what blocks the plan where nothing is feasible.

    Raises:
        InputError: for a value that a setting cannot take, or a bound that makes no sense.
        InputErrors: if the steps form a cycle.
    """
    if not 1 <= most <= MOST_OPTIONS:
        raise InputError(f"from 1 to {MOST_OPTIONS} options", str(most), "most")
    fixed = {
        name: checked_setting(sequence, name, value) for name, value in (settings or {}).items()
    }
    question = Question(services, span, conditions, robust)
    allowed = _allowed(sequence, span, starts)
    found, complete = _best(sequence, question, allowed, fixed, rank, most, least_margin_s)
    hazardous = any(step.hazard for step in sequence.steps)
    if not found:
        why: tuple[Blocker, ...] = ()
        if explain:
            why = blockers(sequence, question, allowed, fixed, least_margin_s)
        return Alignment((), why, complete, None, hazardous)
    options = tuple(_option(sequence, question, each, light_time_s) for each in found)
    cost = None
    if robust is not Robust.NOTHING:
        plain = replace(question, robust=Robust.NOTHING)
        best = _best(sequence, plain, allowed, fixed, Rank.MARGIN, 1, 0.0)[0]
        cost = best[0].margin_s - max(each.margin_s for each in found)
    return Alignment(options, (), complete, cost, hazardous)


def remaining_starts(
    sequence: Sequence,
    services: Services,
    span: tuple[float, float],
    settings: Mapping[str, float],
    *,
    starts: IntervalSet | None = None,
    conditions: Conditions | None = None,
    robust: Robust = Robust.NOTHING,
) -> IntervalSet:
    """All start times that keep every step covered, for given settings (seconds, by step).

    Raises:
        InputError: for a value that a setting cannot take, or one without a value.
    """
    whole = {name: checked_setting(sequence, name, value) for name, value in settings.items()}
    for step in sequence.steps:
        if step.delay.setting is not None and step.name not in whole:
            if step.delay.setting.chosen_s is None:
                raise InputError("a value for every setting", "none", step.name)
            whole[step.name] = step.delay.setting.chosen_s
    question = Question(services, span, conditions, robust)
    scale = ClockScale.of(sequence.clock.temperature)
    bounds = offsets(sequence, whole, sequence.start.give_or_take_s)
    feasible = [_allowed(sequence, span, starts)]
    for rule in rules(sequence, question):
        low, high = bounds[rule.step]
        pairs = [
            (scale.leave(scale.enter(a) - low), scale.leave(scale.enter(b) - high))
            for a, b in rule.instants
        ]
        feasible.append(IntervalSet.of(pairs))
    return intersection(feasible)


def slip(
    sequence: Sequence,
    option: Option,
    services: Services,
    span: tuple[float, float],
    slip_s: float,
    *,
    conditions: Conditions | None = None,
    light_time_s: LightTime = 0.0,
) -> Slip:
    """What is lost if the start of a plan slips by ``slip_s`` seconds (later when positive)."""
    question = Question(services, span, conditions)
    at = option.best_start + slip_s
    after = _planned(sequence, question, at, option.settings, light_time_s)
    lost = tuple(
        new.step
        for old, new in zip(option.steps, after, strict=True)
        if old.coverage != new.coverage and old.coverage == "covered"
    )
    danger = tuple(step.step for step in after if step.people_in_danger)
    return Slip(slip_s, lost, danger, after)


def _allowed(
    sequence: Sequence, span: tuple[float, float], starts: IntervalSet | None
) -> IntervalSet:
    """Start times that are allowed, within the predicted span."""
    whole = IntervalSet([span[0]], [span[1]])
    if starts is not None:
        return starts & whole
    start = sequence.start
    if start.earliest is None or start.latest is None or start.earliest == start.latest:
        return whole
    return IntervalSet([start.earliest], [start.latest]) & whole


def _best(
    sequence: Sequence,
    question: Question,
    allowed: IntervalSet,
    fixed: Mapping[str, float],
    rank: Rank,
    most: int,
    least_margin_s: float,
) -> tuple[list[Found], bool]:
    """The best options, back on the time line, and whether they are proved to be."""
    if rank is Rank.STATIONS:
        return _most_stations(sequence, question, allowed, fixed, most, least_margin_s)
    problem = build(
        sequence, allowed, rules(sequence, question), fixed, sequence.start.give_or_take_s
    )
    outcome = Search(problem, most, rank, least_margin_s).run()
    leave = problem.scale.leave
    return [
        Found(
            leave(each.first),
            leave(each.last),
            (
                *problem.fixed.items(),
                *(pair for pair in each.settings if pair[0] not in problem.fixed),
            ),
            leave(each.finish),
        )
        for each in outcome.options
    ], outcome.complete


def _most_stations(
    sequence: Sequence,
    question: Question,
    allowed: IntervalSet,
    fixed: Mapping[str, float],
    most: int,
    least_margin_s: float,
) -> tuple[list[Found], bool]:
    """Options by how many stations could each serve every step alone, then by margin."""
    names = {name for stations in question.services.values() for name in stations}
    found: list[Found] = []
    complete = True
    for count in (*range(len(names), 1, -1), 0):
        asked = replace(question, redundancy=count)
        more, proved = _best(sequence, asked, allowed, fixed, Rank.MARGIN, most, least_margin_s)
        complete = complete and proved
        known = {(each.settings, each.first // 1) for each in found}
        found += [each for each in more if (each.settings, each.first // 1) not in known]
        if len(found) >= most:
            break
    return found[:most], complete


def _option(
    sequence: Sequence, question: Question, found: Found, light_time_s: LightTime
) -> Option:
    settings = dict(found.settings)
    middle = (found.first + found.last) / 2
    steps = _planned(sequence, question, middle, settings, light_time_s)
    counts = [len(step.stations) for step in steps if step.coverage is not None]
    return Option(
        start_from=found.first,
        start_until=found.last,
        best_start=middle,
        margin_s=found.margin_s,
        settings=settings,
        steps=steps,
        stations_least=min(counts, default=0),
    )


def _planned(
    sequence: Sequence,
    question: Question,
    at: float,
    settings: Mapping[str, float],
    light_time_s: LightTime,
) -> tuple[StepForecast, ...]:
    """The forecast of every step if the sequence starts at ``at``, as closely as it is known."""
    known_to = sequence.start.give_or_take_s
    start = Start(StartStatus.EXPECTED, at - known_to, at, at + known_to)
    knowledge = SequenceKnowledge(start=start, settings=settings)
    made = forecast(
        sequence,
        knowledge,
        question.services,
        at - known_to,
        question.span,
        question.conditions,
        light_time_s,
    )
    return made.steps
