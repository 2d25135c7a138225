"""How alerts are cared for until somebody has them in hand: escalation, reminders, quiet hours."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from contactd.core.alert import Severity
from contactd.core.instants import to_utc


@dataclass(frozen=True, slots=True)
class Hours:
    """A time of each day, such as 22:00 to 06:00.

    Attributes:
        begins_s, ends_s: seconds after midnight; it runs over midnight when it ends earlier than
            it begins, and lasts all day when both are the same.
        zone: name of the time zone that midnight is taken in (IANA).
    """

    begins_s: float
    ends_s: float
    zone: str = "UTC"

    def hold(self, instant: float) -> bool:
        """Whether an instant (s) lies in it."""
        local = to_utc(instant)
        if self.zone != "UTC":
            local = local.astimezone(ZoneInfo(self.zone))
        second = local.hour * 3600 + local.minute * 60 + local.second + local.microsecond * 1e-6
        if self.begins_s < self.ends_s:
            return self.begins_s <= second < self.ends_s
        return second >= self.begins_s or second < self.ends_s


@dataclass(frozen=True, slots=True)
class Duty:
    """Channels that reach whoever has a role, and when; no hours: always."""

    channels: tuple[str, ...]
    hours: tuple[Hours, ...] = ()

    def is_on(self, instant: float) -> bool:
        """Whether it holds at an instant (s)."""
        return not self.hours or any(each.hold(instant) for each in self.hours)


@dataclass(frozen=True, slots=True)
class Rung:
    """A step of the ladder: who is told, so long after nobody has acknowledged."""

    after_s: float
    role: str
    least_severity: Severity = Severity.WARNING


@dataclass(frozen=True, slots=True)
class Care:
    """What is done about alerts that nobody acknowledges.

    Attributes:
        ladder: rungs in ascending time.
        roles: who is told, by role.
        remind_every_s: how often an open alert is told again, by severity; none: never.
        most_reminders: so often at the most.
    """

    ladder: tuple[Rung, ...] = ()
    roles: Mapping[str, tuple[Duty, ...]] = field(default_factory=dict)
    remind_every_s: Mapping[Severity, float] = field(default_factory=dict)
    most_reminders: int = 20

    def channels_of(self, role: str, instant: float) -> tuple[str, ...]:
        """Channels that reach a role at an instant (s); where nobody is on duty, all of them."""
        duties = self.roles.get(role, ())
        on = [each for each in duties if each.is_on(instant)] or duties
        return tuple(dict.fromkeys(channel for each in on for channel in each.channels))


@dataclass(frozen=True, slots=True)
class Manner:
    """How one channel is spoken to.

    Attributes:
        quiet_hours: times at which only warnings are sent; the rest waits until they end.
        together: whether the alerts of one contact or sequence go into one message.
        gather_s: how long the first of them waits for the others; warnings never wait.
        most_alerts: in one message.
        flood_from: with more new alerts than this at once, they go together whatever they are.
        send_resolved, send_acknowledged, send_reminders: whether that is sent to it.
    """

    quiet_hours: tuple[Hours, ...] = ()
    together: bool = False
    gather_s: float = 0.0
    most_alerts: int = 50
    flood_from: int = 20
    send_resolved: bool = True
    send_acknowledged: bool = False
    send_reminders: bool = True

    def is_quiet(self, severity: Severity, instant: float) -> bool:
        """Whether an alert must wait for quiet hours to end. A warning never does."""
        if severity is Severity.WARNING:
            return False
        return any(each.hold(instant) for each in self.quiet_hours)
