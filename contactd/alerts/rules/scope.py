"""From when until when a rule looks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.policy import Policy
from contactd.core.ground.station import Station


@dataclass(frozen=True, slots=True)
class Scope:
    """What the rules look at.

    Attributes:
        now: instant (s).
        since: events that fell due since then are wanted even when they are over.
        until: candidates that fall due after this are not wanted yet.
        existed_since: instant (s) since which the service has looked; what was over by then, and
            fell to nobody, is not raised.
        stations: by name, for their outages.
    """

    policy: Policy
    now: float
    since: float
    until: float
    existed_since: float = -math.inf
    stations: Mapping[str, Station] = field(default_factory=dict)

    def covers(self, due: float, over_at: float) -> bool:
        """Whether a candidate of these times is wanted."""
        return due <= self.until and (over_at > self.now or due >= self.since)

    def wants(self, candidate: Candidate) -> bool:
        """Whether a candidate is wanted."""
        if candidate.kind in self.policy.for_target(candidate.target).disabled_kinds:
            return False
        if candidate.sort is Sort.CONDITION:
            return candidate.due <= self.until and candidate.over_at > self.now
        return self.covers(candidate.due, candidate.over_at)
