"""What is sent to a channel: one message about one or more alerts."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from contactd.core.alert import Alert, Severity
from contactd.core.errors import DeliveryError
from contactd.mission.documents.service import alert_form
from contactd.mission.timetext import (
    NEAREST,
    NO_LATER,
    from_now,
    machine,
    moment,
    recorded_finite,
)


class About(StrEnum):
    """What a message says of its alerts."""

    RAISED = "raised"
    ESCALATED = "escalated"
    REMINDER = "reminder"
    ACKNOWLEDGED = "acknowledged"
    CHANGED = "changed"
    AGAIN = "again"
    RESOLVED = "resolved"


@dataclass(frozen=True, slots=True)
class Notification:
    """A message to one channel.

    Attributes:
        key: idempotency key: a receiver that has seen it has seen the whole message.
        channel: the channel's name.
        alerts: at least one.
        parts: a key for each alert in it, by which its outcome is known.
        since: instant (s) at which there was something to say.
        remark: what else is to be said, such as who acknowledged.
        links: where each alert can be acknowledged, by identity.
        at: instant (s) at which it is being sent; relative times count from here.
        runbook: address of the runbook, whose headings are the kinds of alerts; "" for none.
        fence: number of the lead under which it is sent, of several services; 0 where one is alone.
    """

    key: str
    channel: str
    about: About
    alerts: tuple[Alert, ...]
    parts: tuple[str, ...]
    since: float
    remark: str = ""
    links: Mapping[str, str] = field(default_factory=dict)
    at: float = 0.0
    fence: int = 0
    runbook: str = ""

    @property
    def severity(self) -> Severity:
        """That of its most severe alert."""
        order = list(Severity)
        return max((alert.severity for alert in self.alerts), key=order.index)

    def runbook_of(self, alert: Alert) -> str | None:
        """Where the runbook says what an alert means; None if there is none."""
        return f"{self.runbook}#{alert.kind}" if self.runbook else None


class ChannelBusy(DeliveryError):
    """The receiver asks for patience: try again after ``again_after_s``."""

    def __init__(self, channel: str, reason: str, again_after_s: float) -> None:
        super().__init__(channel, reason, worth_retrying=True)
        self.again_after_s = again_after_s


class Channel(Protocol):
    """A way to reach somebody."""

    @property
    def name(self) -> str:
        """Its name in the configuration."""
        ...

    async def send(self, notification: Notification) -> None:
        """Bring one message to the receiver; when it returns, the receiver has accepted it.

        Raises:
            DeliveryError: if it did not; ``worth_retrying`` says whether to try again.
        """
        ...

    async def close(self) -> None:
        """Let go of what it holds open."""
        ...


def key_of(parts: Iterable[str]) -> str:
    """Idempotency key of a message: its only part's, or one made of all of them."""
    given = sorted(parts)
    if len(given) == 1:
        return given[0]
    return f"together-{hashlib.sha256('|'.join(given).encode()).hexdigest()[:20]}"


def payload(notification: Notification) -> dict[str, Any]:
    """The message as JSON values, for machines and for people."""
    return {
        "message": notification.key,
        "about": notification.about.value,
        "sent_at": machine(notification.at, NEAREST),
        "severity": notification.severity.value,
        "remark": notification.remark,
        "alerts": [_alert_payload(alert, notification) for alert in notification.alerts],
    }


def _alert_payload(alert: Alert, notification: Notification) -> dict[str, Any]:
    return {
        **alert_form(alert),
        "when": when(alert, notification.at),
        "notice": alert.notice,
        "over_at": recorded_finite(alert.over_at),
        "acknowledge": notification.links.get(alert.identity),
        "runbook": notification.runbook_of(alert),
    }


def when(alert: Alert, now: float) -> str:
    """``2026-12-03 08:00:00Z, in 8 min 12 s``: never later than it is."""
    return f"{moment(alert.moment, NO_LATER)}, {from_now(alert.moment, now, NO_LATER)}"
