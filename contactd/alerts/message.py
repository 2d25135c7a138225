"""What is sent to a channel: one message about one or more alerts."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol

from contactd.alerts.matter import Sort
from contactd.alerts.state import AlertState, Outcome, Told, as_text
from contactd.alerts.words import exact, from_now, moment
from contactd.core.alert import Alert, Severity
from contactd.core.errors import DeliveryError


class About(StrEnum):
    """What a message says of its alerts."""

    RAISED = "raised"
    RESOLVED = "resolved"


@dataclass(frozen=True, slots=True)
class Message:
    """A message to one channel.

    Attributes:
        key: idempotency key: a receiver that has seen it has seen the whole message.
        channel: the channel's name.
        since: instant (s) at which there was something to say.
        at: instant (s) at which it is being sent; relative times count from here.
    """

    key: str
    channel: str
    about: About
    alerts: tuple[Alert, ...]
    since: float
    at: float = 0.0

    @property
    def severity(self) -> Severity:
        """That of its most severe alert."""
        order = list(Severity)
        return max((alert.severity for alert in self.alerts), key=order.index)


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

    async def send(self, message: Message) -> None:
        """Bring one message to the receiver; when it returns, the receiver has accepted it.

        Raises:
            DeliveryError: if it did not; ``worth_retrying`` says whether to try again.
        """
        ...

    async def close(self) -> None:
        """Let go of what it holds open."""
        ...


def pending(state: AlertState) -> list[Message]:
    """Messages that are due and of which no channel's outcome is known, most severe first.

    That an alert is resolved is said only where it was delivered.
    """
    found = [message for told in state.told.values() for message in _pending(told)]
    order = list(Severity)
    return sorted(found, key=lambda each: (-order.index(each.severity), each.since, each.key))


def _pending(told: Told) -> Iterator[Message]:
    identity = told.alert.identity
    for channel in told.channels:
        outcome = told.outcomes.get((identity, channel))
        if outcome is None or outcome is Outcome.SENT:
            yield Message(identity, channel, About.RAISED, (told.alert,), told.raised_at)
        elif (
            outcome is Outcome.DELIVERED
            and told.sort is Sort.CONDITION
            and told.resolved_at is not None
        ):
            key = f"{identity}.resolved"
            if told.outcomes.get((key, channel)) in (None, Outcome.SENT):
                yield Message(key, channel, About.RESOLVED, (told.alert,), told.resolved_at)


def payload(message: Message) -> dict[str, Any]:
    """The message as JSON values, for machines and for people."""
    return {
        "message": message.key,
        "about": message.about.value,
        "sent_at": exact(message.at),
        "severity": message.severity.value,
        "alerts": [_alert_payload(alert, message) for alert in message.alerts],
    }


def _alert_payload(alert: Alert, message: Message) -> dict[str, Any]:
    return {
        "identity": alert.identity,
        "kind": alert.kind,
        "severity": alert.severity.value,
        "target": alert.target,
        "subject": alert.subject,
        "what": alert.what,
        "when": when(alert, message.at),
        "advice": alert.advice,
        "due": exact(alert.due),
        "concerns": exact(alert.concerns),
        "over_at": as_text(alert.over_at),
        "late": alert.late,
        "facts": dict(alert.facts),
    }


def when(alert: Alert, now: float) -> str:
    """``2026-12-03 08:00:00Z (337), in 8 min 12 s``."""
    return f"{moment(alert.concerns)}, {from_now(alert.concerns, now)}"
