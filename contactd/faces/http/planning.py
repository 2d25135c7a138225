"""Alignment for the page: options, what given settings leave, and the records of a chosen plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from contactd.core import record as kinds
from contactd.core.errors import InputError
from contactd.core.intervals import IntervalSet
from contactd.core.planning import Prediction
from contactd.core.record import Record
from contactd.core.sequences.align import Alignment, Rank, Robust, align, remaining_starts
from contactd.core.sequences.clocks import ClockScale
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence, Start, StartStatus
from contactd.core.sequences.naming import checked_setting, subject_of
from contactd.core.sequences.problem import offsets
from contactd.core.sequences.rules import Question, rules
from contactd.mission import bodies
from contactd.mission.documents import steps as documents
from contactd.mission.documents.spans import inner_forms
from contactd.mission.documents.steps import step_form
from contactd.mission.texts.cause import reasons_of
from contactd.mission.texts.notice import NOTICE
from contactd.mission.timetext import NEAREST, machine


@dataclass(frozen=True, slots=True)
class Desk:
    """A sequence to be aligned, over a prediction.

    Attributes:
        starts: allowed start times; None for those of the sequence.
    """

    sequence: Sequence
    knowledge: SequenceKnowledge
    prediction: Prediction
    starts: IntervalSet | None
    robust: Robust = Robust.NOTHING

    @property
    def span(self) -> tuple[float, float]:
        """The span that is predicted (instants, s)."""
        return self.prediction.outlook.span

    def options(
        self, settings: Mapping[str, float], rank: Rank, most: int, explain: bool = True
    ) -> Alignment:
        """The best plans with these settings given and the others open."""
        return align(
            self.sequence,
            self.prediction.outlook.services,
            self.span,
            starts=self.starts,
            settings=settings,
            conditions=self.prediction.conditions,
            light_time_s=self.prediction.light_time_s,
            rank=rank,
            robust=self.robust,
            most=most,
            explain=explain,
        )

    def whole(self, settings: Mapping[str, float]) -> dict[str, float]:
        """A value for every setting: as given, as known, as configured, else its least."""
        found = {}
        for step in self.sequence.steps:
            setting = step.delay.setting
            if setting is None:
                continue
            value = settings.get(
                step.name, self.knowledge.settings.get(step.name, setting.chosen_s)
            )
            found[step.name] = checked_setting(
                self.sequence, step.name, setting.least_s if value is None else value
            )
        for name in settings:
            if name not in found:
                checked_setting(self.sequence, name, settings[name])
        return found

    def feasible(self, settings: Mapping[str, float]) -> IntervalSet:
        """Start times that keep every step covered, with every setting chosen."""
        return remaining_starts(
            self.sequence,
            self.prediction.outlook.services,
            self.span,
            settings,
            starts=self.starts,
            conditions=self.prediction.conditions,
            robust=self.robust,
        )

    def by_rule(self, settings: Mapping[str, float]) -> list[dict[str, Any]]:
        """For each rule of each step, the start times that it alone would allow."""
        services, conditions = self.prediction.outlook.services, self.prediction.conditions
        question = Question(services, self.span, conditions, self.robust)
        scale = ClockScale.of(self.sequence.clock.temperature)
        bounds = offsets(self.sequence, settings, self.sequence.start.give_or_take_s)
        found = []
        for rule in rules(self.sequence, question):
            low, high = bounds[rule.step]
            starts = IntervalSet.of(
                (scale.leave(scale.enter(a) - low), scale.leave(scale.enter(b) - high))
                for a, b in rule.instants
            )
            found.append(
                {
                    "step": rule.step,
                    "rule": str(rule.kind),
                    "starts": inner_forms(starts.clip(*self.allowed)),
                }
            )
        return found

    @property
    def allowed(self) -> tuple[float, float]:
        """The first and last start time of interest (instants, s)."""
        if self.starts is not None and self.starts:
            return float(self.starts.starts[0]), float(self.starts.ends[-1])
        start = self.sequence.start
        if start.earliest is None or start.latest is None or start.earliest == start.latest:
            return self.span
        return start.earliest, start.latest

    def steps_at(self, start: float, settings: Mapping[str, float]) -> list[dict[str, Any]]:
        """The forecast of every step for a start at a moment (instant, s)."""
        known_to = self.sequence.start.give_or_take_s
        supposed = Start(StartStatus.EXPECTED, start - known_to, start, start + known_to)
        made = forecast(
            self.sequence,
            SequenceKnowledge(start=supposed, settings=dict(settings)),
            self.prediction.outlook.services,
            start - known_to,
            self.span,
            self.prediction.conditions,
            self.prediction.light_time_s,
        )
        return [{**step_form(step), "reasons": reasons_of(step)} for step in made.steps]


def alignment_form(alignment: Alignment) -> dict[str, Any]:
    """An alignment, with what the page shows beside the form that other programs rely on."""
    return {
        **documents.alignment_form(alignment),
        "complete": alignment.complete,
        "robust_cost_s": alignment.robust_cost_s,
        "notice": NOTICE if alignment.hazardous else "",
    }


def setting_forms(sequence: Sequence, settings: Mapping[str, float]) -> list[dict[str, Any]]:
    """Every setting: what it can take, and what it is set to."""
    return [
        {
            "step": step.name,
            "least_s": setting.least_s,
            "greatest_s": setting.least_s + (setting.count - 1) * setting.resolution_s,
            "resolution_s": setting.resolution_s,
            "value_s": settings[step.name],
            "exceeds": [{"step": name, "by_s": by} for name, by in setting.exceeds],
        }
        for step in sequence.steps
        if (setting := step.delay.setting) is not None
    ]


def plan_records(
    sequence: Sequence,
    settings: Mapping[str, float],
    start: float,
    author: str,
    now: float,
    identity: str = "",
) -> list[Record]:
    """The records that a chosen plan becomes: every setting, and the planned start.

    Raises:
        InputError: for a value that a setting cannot take, or a start in the past.
    """
    if start < now:
        raise InputError("a start that is still to come", str(machine(start, NEAREST)), "start")
    records = [
        Record(
            now,
            kinds.SETTING_CHOSEN,
            subject_of(sequence, step),
            author,
            bodies.setting_chosen(sequence, step, value),
            f"{identity}:{step}" if identity else "",
        )
        for step, value in settings.items()
    ]
    planned = bodies.start_planned(start, sequence.start.give_or_take_s)
    subject = subject_of(sequence)
    records.append(Record(now, kinds.START_PLANNED, subject, author, planned, identity))
    return records
