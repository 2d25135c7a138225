"""The parts of messages about an alert, one for each thing that a channel is to hear of it.

Each has a key, by which its fate is known across restarts.
"""

from __future__ import annotations

from contactd.alerts.candidate import Sort
from contactd.alerts.tracked import Escalation, Outcome, Telling, TrackedAlert


def is_settled(tracked: TrackedAlert) -> bool:
    """Whether every channel's part in an alert has come to its end, reminders apart."""
    identity = tracked.alert.identity

    def final(part: str, channel: str) -> bool:
        fate = tracked.fates.get((part, channel))
        return fate is not None and fate.outcome.is_final

    if not all(final(identity, channel) for channel in tracked.channels):
        return False
    for each in tracked.escalations:
        part = escalation_part(identity, each)
        if not all(final(part, channel) for channel in each.channels):
            return False
    if tracked.told is not None:
        part = changed_part(identity, tracked.told)
        if not all(final(part, channel) for channel in hears_of_change(tracked)):
            return False
    if any(not fate.outcome.is_final for fate in tracked.fates.values()):
        return False
    if tracked.acknowledged_at is not None:
        part = acknowledged_part(tracked)
        if not all(final(part, channel) for channel in delivered_to(tracked)):
            return False
    if tracked.sort is Sort.CONDITION and tracked.resolved_at is None:
        return False
    if tracked.resolved_at is not None:
        part = resolved_part(identity)
        return all(final(part, channel) for channel in delivered_to(tracked))
    return True


def delivered_to(tracked: TrackedAlert) -> list[str]:
    """Channels that the alert itself, an escalation or its last change was delivered to."""
    identity = tracked.alert.identity
    parts = [identity, *(escalation_part(identity, each) for each in tracked.escalations)]
    if tracked.told is not None:
        parts.append(changed_part(identity, tracked.told))
    return [
        channel
        for channel in tracked.everyone
        if any(
            (fate := tracked.fates.get((part, channel))) is not None
            and fate.outcome is Outcome.DELIVERED
            for part in parts
        )
    ]


def hears_of_change(tracked: TrackedAlert) -> list[str]:
    """Channels that are to hear of the last change: those that know the alert, or get it now."""
    if tracked.told is None:
        return []
    identity = tracked.alert.identity

    def knows(channel: str) -> bool:
        fate = tracked.fates.get((identity, channel))
        return fate is not None and fate.outcome is Outcome.DELIVERED

    return [
        channel
        for channel in tracked.told.channels
        if channel not in tracked.channels or knows(channel)
    ]


def escalation_part(identity: str, escalation: Escalation) -> str:
    """Key of the part that tells of an escalation."""
    again = f".{escalation.again}" if escalation.again else ""
    return f"{identity}.escalated-{escalation.rung}{again}"


def changed_part(identity: str, told: Telling) -> str:
    """Key of the part that tells of a change."""
    return f"{identity}.changed-{told.count}"


def resolved_part(identity: str) -> str:
    """Key of the part that tells that an alert is resolved."""
    return f"{identity}.resolved"


def acknowledged_part(tracked: TrackedAlert) -> str:
    """Key of the part that tells who has an alert in hand."""
    again = f"-{tracked.again}" if tracked.again else ""
    return f"{tracked.alert.identity}.acknowledged{again}"


def reminder_part(identity: str, count: int) -> str:
    """Key of the part that reminds of an alert for the n-th time."""
    return f"{identity}.reminder-{count}"
