"""What an alignment answers, as plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from contactd.core.sequences.model import StepForecast
from contactd.core.sequences.rules import RuleKind


@dataclass(frozen=True, slots=True)
class Option:
    """Settings, and start times that keep every step covered.

    Attributes:
        start_from, start_until: the starts that do (instants, s).
        best_start: in their middle.
        margin_s: how much earlier or later than ``best_start`` it may start.
        settings: seconds on every setting, by step.
        steps: the forecast of every step for a start at ``best_start``.
        stations_least: how many stations could each serve any one step alone, at the least.
    """

    start_from: float
    start_until: float
    best_start: float
    margin_s: float
    settings: Mapping[str, float]
    steps: tuple[StepForecast, ...]
    stations_least: int

    @property
    def finish(self) -> float:
        """Latest expiry of the last step for a start at ``best_start`` (instant, s)."""
        return max(step.latest for step in self.steps if step.latest is not None)


@dataclass(frozen=True, slots=True)
class Blocker:
    """One rule that stands in the way.

    Attributes:
        step: whose rule it is; ``start`` for rules of the plan as a whole.
        rule: what sort of rule it is.
        reason: in words.
        relaxation: the smallest change of this rule that makes a plan feasible, in words.
        relaxation_s: the same in seconds; None where no change of this rule is enough, or where
            it is not a matter of seconds.
        station: the station that the relaxed rule would rely on, or "".
    """

    step: str
    rule: RuleKind
    reason: str
    relaxation: str
    relaxation_s: float | None = None
    station: str = ""


@dataclass(frozen=True, slots=True)
class Alignment:
    """The answer.

    Attributes:
        options: best first; empty when nothing is feasible.
        blocked_by: why nothing is feasible, the smallest relaxation first.
        complete: no option that ranks higher than these exists. False only when the search was
            given up at its bound.
        robust_cost_s: margin that a robust plan gives up against the best plan that is not; None
            unless a robust plan was asked for and found.
        hazardous: whether a step is hazardous, so that the notice belongs to it.
    """

    options: tuple[Option, ...]
    blocked_by: tuple[Blocker, ...] = ()
    complete: bool = True
    robust_cost_s: float | None = None
    hazardous: bool = False


@dataclass(frozen=True, slots=True)
class Slip:
    """What a start later (or earlier) than planned does.

    Attributes:
        lost: steps that were covered and no longer certainly are.
        danger: steps whose keep-clear then meets people near.
        steps: the forecast of every step after the slip.
    """

    slip_s: float
    lost: tuple[str, ...]
    danger: tuple[str, ...]
    steps: tuple[StepForecast, ...]
