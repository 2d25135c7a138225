"""A step in its sequence, and what all matters about it share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.scope import Scope
from contactd.alerts.words import exact
from contactd.core.alert import Severity
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.cautions import NOTICE
from contactd.core.sequences.model import SequenceForecast, StepForecast, StepStatus

# A step's moment that new knowledge moves by less than the lead at which it was told, within these
# limits, is still the same fact; one that moved further is told anew.
SAME_LEAST_S, SAME_MOST_S = 120.0, 900.0
AHEAD = frozenset({StepStatus.PLANNED, StepStatus.RUNNING, StepStatus.EXPIRING})
TIMED = AHEAD | {StepStatus.EXPIRED}


@dataclass(frozen=True, slots=True)
class StepAtHand:
    """A step in its sequence, and what all its matters share."""

    scope: Scope
    outlook: TargetOutlook
    forecast: SequenceForecast
    step: StepForecast

    @property
    def name(self) -> str:
        """How the step is called in a sentence."""
        return f"{self.step.step} of {self.step.target}"

    @property
    def through(self) -> str:
        """`` through Norrsund``: who would send a stop, if that is known."""
        return f" through {self.step.stop_station}" if self.step.stop_station else ""

    @property
    def can_be_stopped(self) -> bool:
        """Whether the last moment to stop it is still to come."""
        return self.step.stop_by is not None and self.step.stop_by > self.scope.now

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
        what: str,
        do: str,
        *,
        due: float,
        moment: float,
        over_at: float,
        meets: tuple[float, float] | None = None,
        must_lie_within: bool = False,
        lead_s: float = 0.0,
        facts: dict[str, Any] | None = None,
    ) -> Candidate:
        """A matter of this step; ``meets`` is what it is the same fact by, else ``concerns``."""
        step = self.step
        subject = f"{step.target}/{step.sequence}/{step.step}"
        same_s = SAME_MOST_S if meets else min(max(lead_s, SAME_LEAST_S), SAME_MOST_S)
        if must_lie_within:
            same_s = 0.0
        begins, ends = meets or (moment, moment)
        return Candidate(
            kind=kind,
            sort=sort,
            severity=severity,
            target=step.target,
            subject=subject,
            series=f"{kind}|{subject}|start {self.forecast.start.record}",
            what=what,
            do=f"{advice} {NOTICE}" if self.grave else do,
            due=due,
            moment=moment,
            over_at=over_at,
            begins=begins - same_s / 2,
            ends=ends + same_s / 2,
            lead_s=lead_s,
            must_lie_within=must_lie_within,
            rests_on=step.target,
            facts={**self._facts(), **(facts or {})},
        )

    def _facts(self) -> dict[str, Any]:
        step = self.step
        facts: dict[str, Any] = {"status": step.status.value, "start": start_facts(self.forecast)}
        for key in ("earliest", "nominal", "latest", "stop_by", "confirm_at"):
            value = getattr(step, key)
            if value is not None:
                facts[key] = exact(value)
        for key in ("stop_station", "confirm_station", "hazard"):
            if getattr(step, key) is not None:
                facts[key] = getattr(step, key)
        if step.coverage is not None:
            facts["coverage"] = step.coverage.value
            facts["stations"] = list(step.stations)
        if step.keep_clear is not None:
            facts["keep_clear"] = {
                "from": exact(step.keep_clear[0]),
                "to": exact(step.keep_clear[1]),
            }
        for key in ("in_view_probability", "margin_s"):
            value = getattr(step, key)
            if value is not None:
                facts[key] = round(value, 3)
        if step.reasons:
            facts["reasons"] = list(step.reasons[:5])
        return facts


def start_facts(forecast: SequenceForecast) -> dict[str, Any]:
    """What is known of the start, as facts."""
    start = forecast.start
    facts: dict[str, Any] = {"status": start.status.value, "record": start.record}
    for key in ("earliest", "latest"):
        value = getattr(start, key)
        if value is not None:
            facts[key] = exact(value)
    return facts
