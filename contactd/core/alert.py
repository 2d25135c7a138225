"""The alert, the silence and the dead letter, as plain values; the names of the kinds of alert."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Any, Final

# Kinds of alert. None is ever reused; what a former name stands for is in FORMER_KINDS.
CONTACT_COMING = "contact-coming"
STEP_EXPIRING = "step-expiring"
STEP_EXPIRED = "step-expired"
STEP_UNCOVERED = "step-uncovered"
STEP_AT_RISK = "step-at-risk"
STOP_BY_COMING = "stop-by-coming"
STOP_BY_PASSED = "stop-by-passed"
NO_STOP = "no-stop-possible"
COMMAND_NEEDED = "command-needed"
COMMAND_WINDOWS_FEW = "command-windows-few"
COMMAND_IN_DOUBT = "command-in-doubt"
KEEP_CLEAR_BEGINS = "keep-clear-begins"
KEEP_CLEAR_ENDS = "keep-clear-ends"
PEOPLE_IN_DANGER = "people-in-danger"
START_UNCONFIRMED = "start-unconfirmed"
START_IN_DOUBT = "start-in-doubt"
CONFLICTING_RECORDS = "conflicting-records"
ELEMENTS_STALE = "elements-stale"
CONTACTS_MOVED = "contacts-moved"
NO_PREDICTION = "target-not-predicted"
PREDICTION_GAP = "prediction-gap"
SPAN_ENDS = "prediction-ends"
CONFIGURATION_REFUSED = "configuration-refused"
DEFINITION_DIFFERS = "definition-differs"
NOT_WATCHED = "not-watched"
CLOCK_NOT_TRUSTED = "clock-not-trusted"
PLANNING_OVERDUE = "planning-overdue"
STATION_TIME_TROUBLE = "station-time-trouble"
CHANNEL_FAILING = "channel-failing"
UNDELIVERED = "alerts-undelivered"
LEDGER_TROUBLE = "ledger-trouble"
ALERTS_MISSED = "alerts-missed"
HANDOVER_UNCONFIRMED = "handover-unconfirmed"

KINDS: Final = frozenset(
    value for name, value in globals().items() if name.isupper() and isinstance(value, str)
)
"""Every kind of alert."""
FORMER_KINDS: Final = MappingProxyType(
    {
        "step-out-of-view": STEP_UNCOVERED,
        "command-window-opens": CONTACT_COMING,
        "command-window-closes-soon": CONTACT_COMING,
        "command-window-closed": CONTACT_COMING,
    }
)
"""Kinds that older ledgers hold, and what they are called now."""


FAMILIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        STEP_EXPIRING: "expiry",
        STEP_EXPIRED: "expiry",
        STEP_UNCOVERED: "coverage",
        STEP_AT_RISK: "coverage",
        STOP_BY_COMING: "stop",
        STOP_BY_PASSED: "stop",
        NO_STOP: "stop",
        KEEP_CLEAR_BEGINS: "keep-clear",
        KEEP_CLEAR_ENDS: "keep-clear",
        START_UNCONFIRMED: "start",
        START_IN_DOUBT: "start",
    }
)
"""Kinds of which one takes the place of another as a fact goes on: by kind, the family."""
OF_A_CHAIN: Final = frozenset(
    {STEP_UNCOVERED, STEP_AT_RISK, STOP_BY_COMING, STOP_BY_PASSED, NO_STOP}
)
"""Kinds of which a sequence has one alert, whose parts are its steps."""


class Severity(StrEnum):
    """The trade's own three words."""

    ADVISORY = "advisory"
    CAUTION = "caution"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Alert:
    """A fact worth telling, as it stands now.

    Attributes:
        identity: idempotency key, the same for the same fact as long as it is open, whatever
            becomes of its times.
        kind: what sort of fact (``contact-coming``, ``step-uncovered`` …).
        target: the satellite, or "" for the service itself.
        subject: what exactly, such as ``Lantern 3/wake-up/antenna release``.
        what: one sentence for a tired reader.
        do: who is to do what, by when; "" where nothing is to be done.
        due: instant (s) from which it is to be raised.
        moment: instant (s) of the fact itself (AOS, expiry …).
        over_at: instant (s) after which telling it is no use; it is then missed.
        facts: what it rests on, JSON values only.
        late: it was raised later than it fell due, because the service was down.
        notice: the hazard notice, where it is about a hazardous step, else "".
        decide_by: instant (s) until which something can still be decided about it; infinite where
            there is no such end, None where there is nothing to decide.
        changed: what changed since it was raised, and why, in words; or "".
    """

    identity: str
    kind: str
    severity: Severity
    target: str
    subject: str
    what: str
    do: str
    due: float
    moment: float
    over_at: float
    facts: Mapping[str, Any] = field(default_factory=dict)
    late: bool = False
    notice: str = ""
    decide_by: float | None = None
    changed: str = ""


def in_order(alerts: Iterable[Alert], now: float) -> list[Alert]:
    """Alerts by what can still be decided, the nearest deadline first; then by severity.

    Args:
        now: instant (s); a deadline that has passed leaves nothing to decide.
    """
    order = list(Severity)

    def place(alert: Alert) -> tuple[bool, float, int, float, str]:
        by = alert.decide_by
        decided = by is None or by <= now
        nearest = 0.0 if by is None or decided else by
        return decided, nearest, -order.index(alert.severity), alert.moment, alert.identity

    return sorted(alerts, key=place)


@dataclass(frozen=True, slots=True)
class Silence:
    """A window in which some alerts are raised and recorded, but not sent.

    Attributes:
        begins, ends: instants (s).
        targets, kinds: only these; None for all.
        warnings: whether warnings are held back too, which must be asked for.
        lifted_at: when it was ended early (instant, s), or None.
    """

    identity: str
    begins: float
    ends: float
    why: str
    author: str
    targets: frozenset[str] | None = None
    kinds: frozenset[str] | None = None
    warnings: bool = False
    lifted_at: float | None = None
    number: int = 0

    @property
    def until(self) -> float:
        """When it really ends (instant, s)."""
        return self.ends if self.lifted_at is None else min(self.ends, self.lifted_at)

    def holds_back(self, alert: Alert, now: float) -> bool:
        """Whether it keeps an alert from being sent at ``now``."""
        return (
            self.begins <= now < self.until
            and (self.warnings or alert.severity is not Severity.WARNING)
            and (self.targets is None or alert.target in self.targets)
            and (self.kinds is None or alert.kind in self.kinds)
        )


@dataclass(frozen=True, slots=True)
class DeadLetter:
    """A message that was given up, kept in sight until it is tried again.

    Attributes:
        parts: keys of its parts; ``alerts`` their alerts' identities, one for each.
        at: when it was given up (instant, s).
    """

    message: str
    channel: str
    parts: tuple[str, ...]
    alerts: tuple[str, ...]
    attempts: int
    reason: str
    at: float
    number: int = 0
