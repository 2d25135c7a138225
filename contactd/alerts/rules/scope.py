"""From when until when a rule looks."""

from __future__ import annotations

from dataclasses import dataclass

from contactd.alerts.candidate import Matter, Sort
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

    def wants(self, matter: Matter) -> bool:
        """Whether a matter is wanted."""
        if matter.kind in self.policy.for_target(matter.target).not_told:
            return False
        if matter.sort is Sort.CONDITION:
            return matter.due <= self.until and matter.over_at > self.now
        return self.covers(matter.due, matter.over_at)
