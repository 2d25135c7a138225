"""Alerts that have been raised, and what has become of them: values that the fold makes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from contactd.alerts.candidate import Candidate, Sort
from contactd.core.alert import Alert, DeadLetter, Severity, Silence


class Outcome(StrEnum):
    """How far a message to a channel has come."""

    SENT = "sent"  # it is being tried
    DELIVERED = "delivered"
    FAILED = "failed"  # it was given up
    RETRIED = "retried"  # it was given up, and somebody wants it tried again
    SILENCED = "silenced"  # it was held back until it was over

    @property
    def is_final(self) -> bool:
        """Whether nothing more is to be done for it."""
        return self not in (Outcome.SENT, Outcome.RETRIED)


@dataclass(frozen=True, slots=True)
class Fate:
    """What became of one part of a message to one channel.

    Attributes:
        message: key of the message that it was part of.
        at: when that was recorded (instant, s).
    """

    outcome: Outcome
    message: str
    at: float


@dataclass(frozen=True, slots=True)
class Escalation:
    """A rung of the ladder that was climbed because nobody acknowledged."""

    rung: int
    at: float
    role: str
    channels: tuple[str, ...]


SERVICE = "contactd"
"""Author of what the service itself records."""

PartKey = tuple[str, str]
"""Key of a part, such as an alert's identity, and the name of a channel."""


@dataclass(frozen=True, slots=True)
class TrackedAlert:
    """An alert that has been raised, and its life since.

    Attributes:
        channels: names of the channels that it goes to.
        raised_at, resolved_at, acknowledged_at, expired_at: instants (s), or None.
        resolved_what, resolved_do: the text that says how it ended.
        fates: what became of each part of a message about it.
    """

    alert: Alert
    sort: Sort
    series: str
    begins: float
    ends: float
    lead_s: float
    rests_on: str
    channels: tuple[str, ...]
    raised_at: float
    number: int = 0
    resolved_at: float | None = None
    resolved_why: str = ""
    resolved_what: str = ""
    resolved_do: str = ""
    acknowledged_at: float | None = None
    acknowledged_by: str = ""
    expired_at: float | None = None
    escalations: tuple[Escalation, ...] = ()
    fates: Mapping[PartKey, Fate] = field(default_factory=dict)

    @property
    def finished_at(self) -> float:
        """When it was over (instant, s); infinite while it is not known."""
        if self.resolved_at is not None:
            return self.resolved_at
        return math.inf if self.sort is Sort.CONDITION else self.alert.over_at

    def is_open(self, now: float) -> bool:
        """Whether it still wants somebody's attention."""
        return self.acknowledged_at is None and now < self.finished_at

    def is_about(self, candidate: Candidate) -> bool:
        """Whether a candidate of the same series is the fact that this alert tells.

        A condition that has grown more severe since is another one, and so is one that comes back
        after it was resolved.
        """
        if self.sort is Sort.CONDITION:
            order = list(Severity)
            if self.resolved_at is not None:
                return False
            if order.index(candidate.severity) > order.index(self.alert.severity):
                return False
        return self.lead_s <= candidate.lead_s and candidate.meets(self.begins, self.ends)

    @property
    def everyone(self) -> tuple[str, ...]:
        """The channels that it goes to, those of its escalations too, each once."""
        names = [*self.channels, *(name for each in self.escalations for name in each.channels)]
        return tuple(dict.fromkeys(names))


@dataclass(frozen=True, slots=True)
class Missed:
    """A fact that could not be raised in time; kept so that it is not counted twice."""

    series: str
    begins: float
    ends: float
    over_at: float
    number: int = 0


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A record of alerts that could not be read, and why: it counts as if it were not there."""

    number: int
    kind: str
    reason: str


@dataclass(frozen=True, slots=True)
class AlertState:
    """All alerts that have been raised and are still remembered.

    Attributes:
        number: of the last record that is part of it.
        latest_at: the latest instant (s) at which any record was made.
        tracked: by identity, oldest first.
        by_series: identities of each series, oldest first.
        unsettled: identities of alerts of which some channel does not know all yet.
        waiting: identities of alerts that nobody has acknowledged and that may not be over.
        missed: facts recorded as missed, by series.
        silences: by identity, oldest first.
        dead_letters: messages that were given up, oldest first.
        looked_at: the latest instant (s) until which the service is known to have looked: what fell
            due later may not have been raised.
        catching_up: the service has been started since, and has not yet raised what it missed.
        unreadable: records of alerts that could not be read, newest last, a bounded number.
    """

    number: int = 0
    latest_at: float = -math.inf
    tracked: Mapping[str, TrackedAlert] = field(default_factory=dict)
    by_series: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    unsettled: frozenset[str] = frozenset()
    waiting: frozenset[str] = frozenset()
    missed: Mapping[str, tuple[Missed, ...]] = field(default_factory=dict)
    silences: Mapping[str, Silence] = field(default_factory=dict)
    dead_letters: tuple[DeadLetter, ...] = ()
    looked_at: float | None = None
    catching_up: bool = False
    unreadable: tuple[Unreadable, ...] = ()

    def of_series(self, series: str) -> Iterable[TrackedAlert]:
        """The alerts of a series."""
        return (self.tracked[identity] for identity in self.by_series.get(series, ()))

    def open_alerts(self, now: float) -> tuple[Alert, ...]:
        """Alerts that want attention, most severe first, then the nearest first."""
        rank = {Severity.WARNING: 0, Severity.CAUTION: 1, Severity.ADVISORY: 2}
        some = (self.tracked[identity] for identity in self.waiting)
        wanted = [tracked.alert for tracked in some if tracked.is_open(now)]
        return tuple(
            sorted(wanted, key=lambda each: (rank[each.severity], each.moment, each.identity))
        )

    def silence_of(self, alert: Alert, now: float) -> Silence | None:
        """The silence that keeps an alert from being sent at ``now``, or None."""
        for silence in self.silences.values():
            if silence.holds_back(alert, now):
                return silence
        return None
