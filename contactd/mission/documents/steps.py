"""Documents of countdowns: steps, sequences, and the options of an alignment."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import (
    Need,
    NextCommand,
    SequenceForecast,
    Start,
    StepForecast,
    StopChance,
)
from contactd.core.sequences.model import Sequence as TimedSequence
from contactd.mission.documents.spans import (
    Form,
    figure,
    inner_form,
    lower,
    outer_form,
    outer_forms,
)
from contactd.mission.texts.cause import cause_text, need_text
from contactd.mission.texts.notice import NOTICE
from contactd.mission.texts.stop import stop_text
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, machine

if TYPE_CHECKING:
    from contactd.core.sequences.align import Alignment, Option


MOST_LOST = 2
"""For the loss of so many stations a stop-by is told."""


def step_form(step: StepForecast) -> Form:
    """One step's forecast, as :class:`~contactd.mission.documents.models.Step` describes it."""
    return {
        "target": step.target,
        "sequence": step.sequence,
        "step": step.step,
        "status": str(step.status),
        "earliest": machine(step.earliest, NO_LATER),
        "nominal": machine(step.nominal, NEAREST),
        "latest": machine(step.latest, NO_EARLIER),
        "coverage": None if step.coverage is None else str(step.coverage),
        "in_view_probability": figure(step.in_view_probability, 6),
        "stations": list(step.stations),
        "margin_s": lower(step.margin_s),
        "stop_by": machine(step.stop_by, NO_LATER) if step.stop_certain else None,
        "stop_station": step.stop_station if step.stop_certain else None,
        "stops": step.stops,
        "keep_clear": None
        if step.keep_clear is None
        else {**outer_form(step.keep_clear), "zone": step.zone or None},
        "stop_by_without": [
            {"stations_lost": lost, "stop_by": machine(at, NO_LATER), "station": station}
            for lost, (at, station) in enumerate(step.stop_bys[: MOST_LOST + 1])
        ],
        "parts": [outer_form(each) for each in step.parts],
        "next_command": next_command_form(step.next_command),
    }


def facts_form(step: StepForecast) -> list[Form]:
    """The facts that a step's forecast follows from."""
    return [{"about": fact.about, "text": fact.text, "source": fact.source} for fact in step.facts]


def step_detail(step: StepForecast) -> Form:
    """A step's forecast with what it rests on."""
    return {
        **step_form(step),
        "hazard": step.hazard,
        "stop_certain": step.stop_certain,
        "stop_possible": step.stop_possible,
        "stop_text": stop_text(step),
        "stop_chances": [chance_form(each) for each in step.stop_chances],
        "setting_unknown_s": None if step.setting_unknown is None else list(step.setting_unknown),
        "needs": [need_form(each) for each in step.needs],
        "cause": cause_form(step),
        "reasons": list(step.reasons),
        "confirm_at": machine(step.confirm_at, NO_EARLIER),
        "confirm_station": step.confirm_station,
        "people_in_keep_clear": outer_forms(step.people_in_danger),
        "later_acts": [outer_form(each) for each in step.later_acts],
        "facts": facts_form(step),
    }


def next_command_form(needed: NextCommand | None) -> Form | None:
    """Until when the next command is needed; None where none restarts the countdown."""
    if needed is None:
        return None
    return {
        "by": machine(needed.by, NO_LATER),
        "station": needed.station,
        "windows_left": needed.windows_left,
        "last_windows": [
            {"station": station, **inner_form((opens, closes))}
            for station, opens, closes in needed.last_windows
        ],
    }


def need_form(need: Need) -> Form:
    """What a step needs around its expiry."""
    return {
        "service": need.service,
        "before_s": need.before_s,
        "after_s": need.after_s,
        "stations": need.stations,
        "station_change_allowed": need.handover,
        "conditions": [condition.words for condition in need.conditions],
        "text": need_text(need),
    }


def cause_form(step: StepForecast) -> Form | None:
    """Why a step is covered or not; None where it needs nothing or has no expiry."""
    cause = step.cause
    if cause is None:
        return None
    return {
        "lacks": list(cause.lacks),
        "need": cause.need,
        "until": machine(cause.until, NO_LATER),
        "since": machine(cause.since, NO_EARLIER),
        "outside_s": figure(cause.outside_s, 3),
        "stations": list(cause.stations),
        "text": cause_text(step),
    }


def chance_form(chance: StopChance) -> Form:
    """A command window in which a stop prevents some or all of the possible expiries."""
    return {
        "station": chance.station,
        "stops": chance.stops,
        "from": machine(chance.opens, NO_EARLIER),
        "to": machine(chance.closes, NO_LATER),
        "catches_from": machine(chance.catches_from, NO_EARLIER),
        "share": math.floor(chance.share * 1e4) / 1e4,
    }


def start_form(start: Start) -> Form:
    """What is known of a sequence's start."""
    return {
        "status": start.status.value,
        "earliest": machine(start.earliest, NO_LATER),
        "nominal": machine(start.middle, NEAREST),
        "latest": machine(start.latest, NO_EARLIER),
        "stopped_at": machine(start.stopped_at, NEAREST),
        "record": start.record,
    }


def sequence_form(forecast: SequenceForecast, people_near: IntervalSet) -> Form:
    """A sequence's forecast with what it rests on."""
    gap = forecast.longest_silence
    return {
        "target": forecast.target,
        "sequence": forecast.sequence,
        "start": start_form(forecast.start),
        "longest_gap": None if gap is None else outer_form(gap),
        "conflicts": list(forecast.conflicts),
        "notice": NOTICE if forecast.hazardous else "",
        "people_near": outer_forms(people_near),
        "steps": [step_detail(step) for step in forecast.steps],
    }


def people_near(sequences: Iterable[TimedSequence]) -> dict[str, IntervalSet]:
    """When people are near, by sequence."""
    return {each.name: each.people_near for each in sequences}


def alignment_form(alignment: Alignment) -> Form:
    """An alignment: its options, best first, and what blocks it where there is none."""
    return {
        "options": [option_form(option) for option in alignment.options],
        "blocked_by": [
            {"step": each.step, "reason": each.reason, "relaxation": each.relaxation}
            for each in alignment.blocked_by
        ],
    }


def option_form(option: Option) -> Form:
    """One option of an alignment; settings in seconds, by step."""
    return {
        "start_from": machine(option.start_from, NO_EARLIER),
        "start_until": machine(option.start_until, NO_LATER),
        "best_start": machine(option.best_start, NEAREST),
        "margin_s": lower(option.margin_s),
        "settings": dict(option.settings),
        "steps": [
            {
                "step": step.step,
                "earliest": machine(step.earliest, NO_LATER),
                "nominal": machine(step.nominal, NEAREST),
                "latest": machine(step.latest, NO_EARLIER),
                "stations": list(step.stations),
                "margin_s": lower(step.margin_s),
            }
            for step in option.steps
        ],
    }
