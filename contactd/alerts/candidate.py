"""A candidate: a fact that is worth telling, before it is known whether an alert has told it.

Rules find candidates in the snapshot alone; ``contactd.alerts.evaluate`` compares them with the
alerts that have been raised and raises those that are new.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from contactd.core.alert import Severity
from contactd.core.ground.station import Station
from contactd.mission.texts.text import Stop, Text


class Sort(StrEnum):
    """What sort of thing a candidate is."""

    EVENT = "event"  # something that happens: raised once, at its due time
    CONDITION = "condition"  # something that holds for a while: raised, and resolved when it ends


@dataclass(frozen=True, slots=True)
class Part:
    """A step of a chain, where its sequence has one alert about several.

    Attributes:
        expiry: earliest and latest (instants, s).
        clear: its keep-clear (instants, s), or None.
        stop: how it can still certainly be stopped, or None.
    """

    step: str
    expiry: tuple[float, float]
    clear: tuple[float, float] | None = None
    stop: Stop | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """A fact worth telling.

    Attributes:
        text: what it says, as it is to be read when it is raised.
        series: what makes it the same fact again, apart from time: kind, subject, station, start.
        due: instant (s) from which it is to be raised; a condition holds from then on.
        moment: instant (s) of the fact itself (AOS, expiry ...).
        over_at: instant (s) after which telling it is no use; a condition ends then.
        begins, ends: two candidates of one series are the same fact when these intervals meet; they
            are wide enough to hold what replanning shifts.
        alone: there is only one such fact at a time in its series, wherever it moves.
        span: what people act on, from when to when (instants, s): an expiry, a keep-clear; or None.
        lead_s: for an event that is told several times before it happens: this one's lead. An
            event with a shorter lead makes the longer ones needless.
        keeps: an alert that tells it stays open even before this is due.
        decide_by: as an alert has it.
        turns: instants (s) at which its words change because time passes.
        part: the step that it is about, where its sequence has one alert about several.
        rests_on: the target whose prediction decides whether a condition holds, or "".
    """

    kind: str
    sort: Sort
    severity: Severity
    target: str
    subject: str
    series: str
    text: Text
    due: float
    moment: float
    over_at: float = math.inf
    begins: float = -math.inf
    ends: float = math.inf
    lead_s: float = 0.0
    alone: bool = False
    span: tuple[float, float] | None = None
    keeps: bool = False
    decide_by: float | None = None
    turns: tuple[float, ...] = ()
    part: Part | None = None
    rests_on: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)

    @property
    def what(self) -> str:
        """The fact, in words."""
        return self.text.what

    @property
    def do(self) -> str:
        """Who is to do what, and by when."""
        return self.text.do

    def meets(self, begins: float, ends: float) -> bool:
        """Whether it is the same fact as another one of its series with that interval."""
        return self.begins <= ends and begins <= self.ends

    def holds_at(self, now: float) -> bool:
        """Whether a condition holds."""
        return self.due <= now < self.over_at


def scope_of(kind: str, subject: str) -> str:
    """What a rule has to look at to find that a condition of a subject holds no longer."""
    return f"{kind}|{subject}"


NOTHING: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Candidates:
    """What is worth telling, as seen from one snapshot.

    What is not among the candidates has ended only if it was looked for.

    Attributes:
        at: instant (s) from which it was looked at.
        until: candidates that fall due up to this instant (s) are among them.
        candidates: events and conditions, in no order.
        looked: what was looked at, by target ("" for the service itself): scopes
            (:func:`scope_of`), or a series where a scope holds several.
        now_is: how what can be the subject of an alert stands now, in words, by subject.
        stations: by name, for their outages.
        everywhere: kinds that were looked for whatever they are about, but for ``unread`` targets.
        retired: subjects of which somebody said that they are there no longer.
    """

    at: float
    until: float
    candidates: tuple[Candidate, ...] = ()
    looked: Mapping[str, frozenset[str]] = field(default_factory=dict)
    now_is: Mapping[str, str] = field(default_factory=dict)
    stations: Mapping[str, Station] = field(default_factory=dict)
    everywhere: frozenset[str] = frozenset()
    unread: frozenset[str] = frozenset()
    retired: frozenset[str] = frozenset()

    def next_due(self, now: float) -> float:
        """The next instant after ``now`` at which something falls due or ends, up to ``until``."""
        moments = [self.until]
        for candidate in self.candidates:
            moments.append(candidate.due)
            if candidate.sort is Sort.CONDITION:
                moments.append(candidate.over_at)
        return min((moment for moment in moments if moment > now), default=self.until)

    def looked_for(self, kind: str, target: str, subject: str, series: str) -> bool:
        """Whether it was looked whether a condition still holds."""
        if kind in self.everywhere:
            return target not in self.unread
        looked = self.looked.get(target, NOTHING)
        return scope_of(kind, subject) in looked or series in looked

    def is_retired(self, subject: str) -> bool:
        """Whether somebody said that a subject, or what holds it, is there no longer."""
        if not self.retired:
            return False
        parts = subject.split("/")
        return any("/".join(parts[:count]) in self.retired for count in (1, 2))
