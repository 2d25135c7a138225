"""Alerts that have been raised, and what has become of them: values that the fold makes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from contactd.alerts.candidate import Sort
from contactd.core.alert import Alert, DeadLetter, Severity, Silence, in_order


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
    """A rung of the ladder that was climbed because nobody acknowledged.

    Attributes:
        again: so many times the alert had come to wait again.
    """

    rung: int
    at: float
    role: str
    channels: tuple[str, ...]
    again: int = 0


@dataclass(frozen=True, slots=True)
class Telling:
    """A change that is told to channels.

    Attributes:
        count: so many changes had been told before.
        at: when it was recorded (instant, s).
        severity: at which it is told.
        changed: what changed, in words; "" where the alert is only told again, being nearer.
    """

    count: int
    at: float
    severity: Severity
    changed: str
    channels: tuple[str, ...]


SERVICE = "contactd"
"""Author of what the service itself records."""

PartKey = tuple[str, str]
"""Key of a part, such as an alert's identity, and the name of a channel."""


@dataclass(frozen=True, slots=True)
class TrackedAlert:
    """An alert that has been raised, and its life since.

    Attributes:
        alert: as it stands now, not as it was when it was raised.
        span: what people act on, from when to when (instants, s), or None.
        channels: names of the channels that it goes to.
        raised_at, resolved_at, acknowledged_at, expired_at: instants (s), or None.
        waits_since: since when (instant, s) it has waited for somebody, this time.
        again: so many times it has come to wait again.
        told: the last change that is told to channels, or None.
        resolved_what, resolved_do: the text that says how it ended.
        superseded_by: identity of the alert in its place, or "".
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
    span: tuple[float, float] | None = None
    waits_since: float = -math.inf
    again: int = 0
    told: Telling | None = None
    superseded_by: str = ""
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

    @property
    def everyone(self) -> tuple[str, ...]:
        """The channels that it goes to, those of its escalations too, each once."""
        names = [*self.channels, *(name for each in self.escalations for name in each.channels)]
        names += () if self.told is None else self.told.channels
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
        """Alerts that want attention, in the order of :func:`contactd.core.alert.in_order`."""
        some = (self.tracked[identity] for identity in self.waiting)
        return tuple(in_order((each.alert for each in some if each.is_open(now)), now))

    def silence_of(self, alert: Alert, now: float) -> Silence | None:
        """The silence that keeps an alert from being sent at ``now``, or None."""
        for silence in self.silences.values():
            if silence.holds_back(alert, now):
                return silence
        return None
