"""A matter: a fact that is worth telling, before it is known whether it has been told.

Rules make matters from the snapshot alone; ``contactd.alerts.evaluate`` compares them with what has
been told and makes alerts of those that are new.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from contactd.core.alert import ELEMENTS_STALE, NO_PREDICTION, Severity


class Sort(StrEnum):
    """What sort of thing a matter is."""

    EVENT = "event"  # something that is told once, at its due time
    CONDITION = "condition"  # something that holds for a while: raised, and resolved when it ends


KNOWN_WITHOUT_PREDICTION = frozenset({ELEMENTS_STALE, NO_PREDICTION})
"""Conditions that are decided even of a target that cannot be predicted."""
GROWTH_S = 60.0
"""An interval that grew by no more than this is still the one that was told."""


@dataclass(frozen=True, slots=True)
class Matter:
    """A fact worth telling.

    Attributes:
        series: what makes it the same fact again, apart from time: kind, subject, station, start.
        due: instant (s) from which it is to be told; a condition holds from then on.
        concerns: instant (s) of the matter itself.
        over_at: instant (s) after which telling it is no use; a condition ends then.
        begins, ends: two matters of one series are the same fact when these intervals meet; they
            are wide enough to hold what replanning shifts.
        must_lie_within: they are the same fact only while this one's interval lies within what was
            told, so that a danger that grows is told anew.
        lead_s: for an event that is told several times before it happens: this one's lead. An
            event with a shorter lead makes the longer ones needless.
        rests_on: a target whose prediction decides whether a condition holds; while the target
            cannot be predicted, the condition is left as it is.
    """

    kind: str
    sort: Sort
    severity: Severity
    target: str
    subject: str
    series: str
    what: str
    advice: str
    due: float
    concerns: float
    over_at: float = math.inf
    begins: float = -math.inf
    ends: float = math.inf
    lead_s: float = 0.0
    must_lie_within: bool = False
    rests_on: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)

    def meets(self, begins: float, ends: float) -> bool:
        """Whether it is the same fact as another one of its series with that interval."""
        if self.must_lie_within:
            return begins - GROWTH_S <= self.begins and self.ends <= ends + GROWTH_S
        return self.begins <= ends and begins <= self.ends

    def holds_at(self, now: float) -> bool:
        """Whether a condition holds."""
        return self.due <= now < self.over_at


@dataclass(frozen=True, slots=True)
class Matters:
    """What is worth telling, as seen from one snapshot.

    Attributes:
        at: instant (s) from which it was looked at.
        until: matters that fall due up to this instant (s) are among them.
        matters: events and conditions, in no order.
        undecided: targets that could not be predicted: conditions that rest on them do not end.
        decided: all other targets that were looked at.
        complete: every target that is watched was looked at, so that one that was not is no
            longer watched; otherwise it may just not have been predicted yet.
    """

    at: float
    until: float
    matters: tuple[Matter, ...] = ()
    undecided: frozenset[str] = frozenset()
    decided: frozenset[str] = frozenset()
    complete: bool = False

    def next_due(self, now: float) -> float:
        """The next instant after ``now`` at which something falls due or ends, up to ``until``."""
        moments = [self.until]
        for matter in self.matters:
            moments.append(matter.due)
            if matter.sort is Sort.CONDITION:
                moments.append(matter.over_at)
        return min((moment for moment in moments if moment > now), default=self.until)

    def leaves_open(self, kind: str, rests_on: str) -> bool:
        """Whether a condition that rests on a target cannot be decided."""
        if not rests_on or rests_on in self.decided:
            return False
        if rests_on in self.undecided:
            return kind not in KNOWN_WITHOUT_PREDICTION
        return not self.complete
