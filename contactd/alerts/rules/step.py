"""A step in its sequence, and what all candidates about it share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from contactd.alerts.candidate import Candidate, Part, Sort
from contactd.alerts.rules.scope import Scope
from contactd.alerts.series import step_series
from contactd.core.alert import Severity
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import SequenceForecast, StartStatus, StepForecast, StepStatus
from contactd.mission.documents.steps import step_form
from contactd.mission.texts.cause import cause_text
from contactd.mission.texts.notice import NOTICE
from contactd.mission.texts.steps import Expiring
from contactd.mission.texts.text import Look, Stop, Text
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, machine

RECORD = "record "
"""How a fact names the record that it comes from."""
AHEAD = frozenset({StepStatus.PLANNED, StepStatus.RUNNING, StepStatus.EXPIRING})
TIMED = AHEAD | {StepStatus.EXPIRED}


@dataclass(frozen=True, slots=True)
class StepAtHand:
    """A step in its sequence, and what all its candidates share."""

    scope: Scope
    outlook: TargetOutlook
    forecast: SequenceForecast
    step: StepForecast

    @property
    def stop(self) -> Stop | None:
        """How it can still certainly be stopped, if it can."""
        step = self.step
        if not step.stop_certain or step.stop_by is None or step.stop_by <= self.scope.now:
            return None
        return Stop(step.stop_by, step.stop_station or "", step.stops or step.step)

    @property
    def look(self) -> Look | None:
        """The first contact that can confirm it, if one is predicted."""
        step = self.step
        if step.confirm_at is None:
            return None
        return Look(step.confirm_at, step.confirm_station or "")

    @property
    def notice(self) -> str:
        """The hazard notice of a hazardous step, else ""."""
        return NOTICE if self.grave else ""

    @property
    def clear_s(self) -> tuple[float, float]:
        """Its keep-clear, else its expiry (instants, s)."""
        step = self.step
        assert step.earliest is not None
        assert step.latest is not None
        return step.keep_clear or (step.earliest, step.latest)

    def told_at(self, due: float) -> float:
        """The instant (s) at which a text that falls due then is read."""
        return max(due, self.scope.now)

    def expiring(self, earliest: float, latest: float) -> Expiring:
        """The step as its texts take it, with one of its expiries (instants, s)."""
        step = self.step
        return Expiring(
            step.target,
            step.step,
            earliest,
            latest,
            planned=step.status is StepStatus.PLANNED,
            in_doubt=self.forecast.start.status is StartStatus.IN_DOUBT,
            stop=self.stop,
            look=self.look,
            because=cause_text(step),
            notice=self.notice,
        )

    @property
    def grave(self) -> bool:
        """Whether it is hazardous."""
        return self.step.hazard is not None

    def severity(self, harmless: Severity, hazardous: Severity) -> Severity:
        """One severity for harmless steps, another for hazardous ones."""
        return hazardous if self.grave else harmless

    def candidate(
        self,
        kind: str,
        sort: Sort,
        severity: Severity,
        text: Text,
        *,
        due: float,
        moment: float,
        over_at: float,
        span: tuple[float, float] | None = None,
        alone: bool = True,
        lead_s: float = 0.0,
        keeps: bool = False,
        decide_by: float | None = None,
        turns: tuple[float | None, ...] = (),
        of: str = "",
        facts: dict[str, Any] | None = None,
    ) -> Candidate:
        """A candidate about this step.

        Args:
            span: what people act on (instants, s), where that is not the expiry.
            alone: there is one such fact of the step at a time; else they are told apart by span.
            of: what sets its series apart from another of the step, such as the number of an act.
        """
        step = self.step
        assert step.earliest is not None
        assert step.latest is not None
        series = step_series(kind, step.target, step.sequence, step.step)
        begins, ends = span or (moment, moment)
        clear = step.keep_clear if self.grave else None
        return Candidate(
            kind=kind,
            sort=sort,
            severity=severity,
            target=step.target,
            subject=f"{step.target}/{step.sequence}/{step.step}",
            series=f"{series}|{of}" if of else series,
            text=text,
            due=due,
            moment=moment,
            over_at=over_at,
            begins=begins,
            ends=ends,
            alone=alone,
            span=span,
            lead_s=lead_s,
            keeps=keeps,
            decide_by=decide_by,
            turns=tuple(each for each in turns if each is not None),
            part=Part(step.step, (step.earliest, step.latest), clear, self.stop),
            rests_on=step.target,
            facts={**self._facts(), **(facts or {})},
        )

    def _facts(self) -> dict[str, Any]:
        step = self.step
        form = step_form(step)
        facts: dict[str, Any] = {
            key: value
            for key, value in form.items()
            if key not in ("target", "sequence", "step") and value not in (None, [])
        }
        facts["start"] = start_facts(self.forecast)
        if step.confirm_at is not None:
            facts["confirm_at"] = machine(step.confirm_at, NO_EARLIER)
            facts["confirm_station"] = step.confirm_station
        if step.hazard is not None:
            facts["hazard"] = step.hazard
        records = {fact.source for fact in step.facts if fact.source.startswith(RECORD)}
        facts["records"] = sorted(int(each.removeprefix(RECORD)) for each in records)
        if self.outlook.elements is not None:
            facts["elements"] = machine(self.outlook.elements.epoch, NEAREST)
        reasons = [*filter(None, [cause_text(step)]), *step.reasons]
        if reasons:
            facts["reasons"] = reasons[:5]
        return facts


def start_facts(forecast: SequenceForecast) -> dict[str, Any]:
    """What is known of the start, as facts."""
    start = forecast.start
    facts: dict[str, Any] = {"status": start.status.value, "record": start.record}
    for key in ("earliest", "latest"):
        value = getattr(start, key)
        if value is not None:
            facts[key] = machine(value, NO_LATER if key == "earliest" else NO_EARLIER)
    return facts
