"""From the alerts to the notifications that are due now: a pure function of the state.

A part is what one channel is to hear of one alert. Parts that are already in a message that is
being tried stay in that message, across restarts too, so that its key stays the same. New parts go
alone, or together where the channel wants the alerts of one contact in one message, or where there
is a flood of them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from contactd.alerts.escalation_policy import Care, Manner
from contactd.alerts.notification import About, Notification, key_of
from contactd.alerts.parts import (
    acknowledged_part,
    changed_part,
    delivered_to,
    escalation_part,
    hears_of_change,
    reminder_part,
    resolved_part,
)
from contactd.alerts.tracked import AlertState, Fate, Outcome, TrackedAlert
from contactd.core.alert import Alert, Severity

PLAIN = Manner()
NO_CARE = Care()


@dataclass(frozen=True, slots=True)
class NotificationPart:
    """What one channel is to hear of one alert."""

    key: str
    channel: str
    about: About
    tracked: TrackedAlert
    since: float
    fate: Fate | None
    remark: str = ""

    @property
    def group(self) -> str:
        """Parts of one group may go together: those of one contact, or of one sequence."""
        return "/".join(self.tracked.alert.subject.split("/")[:2])


MakePart = Callable[[str, str, About, float, str], NotificationPart]


def compose(
    state: AlertState,
    now: float,
    manners: Mapping[str, Manner] | None = None,
    care: Care = NO_CARE,
) -> list[Notification]:
    """Messages that are due and whose outcome is not known, most severe first, then the oldest.

    Args:
        now: instant (s).
        manners: how each channel is spoken to, by name; plainly where none is given.
        care: how often what nobody acknowledges is told again.
    """
    spoken = manners or {}
    under_way: dict[tuple[str, str], list[NotificationPart]] = {}
    new: dict[tuple[str, About, str], list[NotificationPart]] = {}
    for part in _parts(state, now, spoken, care):
        if part.fate is not None:
            under_way.setdefault((part.channel, part.fate.message), []).append(part)
        else:
            new.setdefault((part.channel, part.about, part.remark), []).append(part)
    notifications = [_message(parts, key) for (_, key), parts in under_way.items()]
    for (channel, _, _), parts in new.items():
        notifications.extend(_gathered(parts, spoken.get(channel, PLAIN), now))
    order = list(Severity)
    return sorted(notifications, key=lambda each: (-order.index(each.severity), each.since))


def _parts(
    state: AlertState, now: float, manners: Mapping[str, Manner], care: Care
) -> Iterator[NotificationPart]:
    wanted = state.unsettled | state.waiting if care.remind_every_s else state.unsettled
    for identity in sorted(wanted):
        tracked = state.tracked[identity]
        silenced = state.silence_of(tracked.alert, now) is not None
        for part in _parts_of(tracked, now, manners, care):
            fate = part.fate
            if fate is not None and fate.outcome.is_final:
                continue
            manner = manners.get(part.channel, PLAIN)
            held = silenced or manner.is_quiet(tracked.alert.severity, now)
            # What was sent already is tried to the end.
            if fate is not None or not held:
                yield part


def _parts_of(
    tracked: TrackedAlert, now: float, manners: Mapping[str, Manner], care: Care
) -> Iterator[NotificationPart]:
    identity = tracked.alert.identity

    def part(
        key: str, channel: str, about: About, since: float, remark: str = ""
    ) -> NotificationPart:
        fate = tracked.fates.get((key, channel))
        if fate is not None and fate.outcome is Outcome.RETRIED:
            since = fate.at
        return NotificationPart(key, channel, about, tracked, since, fate, remark)

    for channel in tracked.channels:
        yield part(identity, channel, About.RAISED, tracked.raised_at)
    for each in tracked.escalations:
        remark = f"nobody has acknowledged it; now told to: {each.role}"
        for channel in each.channels:
            escalated = part(
                escalation_part(identity, each), channel, About.ESCALATED, each.at, remark
            )
            if escalated.fate is not None or tracked.is_open(now):
                yield escalated
    yield from _change(tracked, now, part)
    heard = delivered_to(tracked)
    if tracked.is_open(now):
        yield from _reminders(tracked, heard, now, manners, care, part)
    for channel in heard:
        manner = manners.get(channel, PLAIN)
        if tracked.acknowledged_at is not None and manner.send_acknowledged:
            remark = f"{tracked.acknowledged_by} has it in hand"
            key = acknowledged_part(tracked)
            yield part(key, channel, About.ACKNOWLEDGED, tracked.acknowledged_at, remark)
        if tracked.resolved_at is not None and manner.send_resolved:
            yield part(resolved_part(identity), channel, About.RESOLVED, tracked.resolved_at)


def _change(tracked: TrackedAlert, now: float, part: MakePart) -> Iterator[NotificationPart]:
    """The last change; what changed before it and was not sent is needless."""
    told = tracked.told
    if told is None:
        return
    about = About.CHANGED if told.changed else About.AGAIN
    for channel in hears_of_change(tracked):
        key = changed_part(tracked.alert.identity, told)
        changed = part(key, channel, about, told.at, told.changed.rstrip("."))
        if changed.fate is not None or now < tracked.finished_at:
            yield changed


def _reminders(
    tracked: TrackedAlert,
    heard: list[str],
    now: float,
    manners: Mapping[str, Manner],
    care: Care,
    part: MakePart,
) -> Iterator[NotificationPart]:
    """The latest reminder that is due; earlier ones that were not sent are needless."""
    every_s = care.remind_every_s.get(tracked.alert.severity)
    if not every_s:
        return
    count = int((now - tracked.raised_at) / every_s)
    if not 1 <= count <= care.most_reminders:
        return
    for channel in heard:
        if manners.get(channel, PLAIN).send_reminders:
            key = reminder_part(tracked.alert.identity, count)
            remark = f"nobody has acknowledged it; reminder {count}"
            yield part(key, channel, About.REMINDER, tracked.raised_at + count * every_s, remark)


def _gathered(parts: list[NotificationPart], manner: Manner, now: float) -> Iterator[Notification]:
    """New parts of one sort to one channel, as messages."""
    if len(parts) > manner.flood_from:
        groups = [parts]
    elif manner.together:
        by_group: dict[str, list[NotificationPart]] = {}
        for part in parts:
            by_group.setdefault(part.group, []).append(part)
        groups = [group for group in by_group.values() if _is_gathered(group, manner, now)]
    else:
        groups = [[part] for part in parts]
    order = list(Severity)
    for group in groups:
        group.sort(
            key=lambda each: (-order.index(each.tracked.alert.severity), each.since, each.key)
        )
        for first in range(0, len(group), manner.most_alerts):
            some = group[first : first + manner.most_alerts]
            yield _message(some, key_of(each.key for each in some))


def _is_gathered(group: list[NotificationPart], manner: Manner, now: float) -> bool:
    """Whether a group need not wait any longer for others to join it."""
    if len(group) >= manner.most_alerts:
        return True
    return any(
        each.tracked.alert.severity is Severity.WARNING
        or now >= each.since + manner.gather_s
        or now + manner.gather_s >= each.tracked.alert.moment
        for each in group
    )


def _as_told(part: NotificationPart) -> Alert:
    """The alert as it stands now, or as it ended; better news at a severity that fits."""
    tracked = part.tracked
    if part.about is About.RESOLVED:
        return replace(tracked.alert, what=tracked.resolved_what, do=tracked.resolved_do)
    if part.about is About.CHANGED and tracked.told is not None:
        return replace(tracked.alert, severity=tracked.told.severity)
    return tracked.alert


def _message(parts: list[NotificationPart], key: str) -> Notification:
    return Notification(
        key=key,
        channel=parts[0].channel,
        about=parts[0].about,
        alerts=tuple(_as_told(each) for each in parts),
        parts=tuple(each.key for each in parts),
        since=min(each.since for each in parts),
        remark=parts[0].remark,
    )
