"""From when until when a rule looks."""

from __future__ import annotations

from dataclasses import dataclass

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.policy import Policy


@dataclass(frozen=True, slots=True)
class Scope:
    """What the rules look at.

    Attributes:
        now: instant (s).
        since: events that fell due since then are wanted even when they are over.
        until: matters that fall due after this are not wanted yet.
    """

    policy: Policy
    now: float
    since: float
    until: float

    def covers(self, due: float, over_at: float) -> bool:
        """Whether a matter of these times is wanted."""
        return due <= self.until and (over_at > self.now or due >= self.since)

    def wants(self, candidate: Candidate) -> bool:
        """Whether a matter is wanted."""
        if candidate.kind in self.policy.for_target(candidate.target).disabled_kinds:
            return False
        if candidate.sort is Sort.CONDITION:
            return candidate.due <= self.until and candidate.over_at > self.now
        return self.covers(candidate.due, candidate.over_at)
