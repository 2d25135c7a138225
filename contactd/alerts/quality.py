"""Whether the alarms of a time were few enough to be acted on: figures for each role and day.

An *alarm* is an alert that demands somebody's action; the rest are notices. It is the operator's
who is to act (see :class:`contactd.mission.texts.text.Actor`).

Sources: IEC 62682:2014 and ANSI/ISA-18.2-2016, clause 16 (monitoring and assessment): about one
alarm for each operator in ten minutes on average; a flood begins with more than ten in ten minutes
and ends with fewer than five; about 80 % low, 15 % medium and 5 % high priority; alarms that stand
longer than 24 hours, and chattering ones, are bad actors; so too EEMUA 191, third edition. All
values from memory. That three in ten minutes chatter is stricter than the usual three in one.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import median
from typing import Any, Final

from contactd.alerts.tracked import Outcome, TrackedAlert
from contactd.core import record as kinds
from contactd.core.alert import FORMER_KINDS, Severity
from contactd.core.instants import DAY_S, from_text
from contactd.core.record import Record
from contactd.mission.texts.text import Actor
from contactd.mission.timetext import NEAREST, machine

WINDOW_S: Final = 600.0
FLOOD_BEGINS: Final = 10
"""More than so many in ten minutes begin a flood; fewer than ``FLOOD_ENDS`` end it."""
FLOOD_ENDS: Final = 5
CHATTERS: Final = 3
STANDS_S: Final = DAY_S
TOP: Final = 10
EVERYONE: Final = "everyone"
OF_ALARMS: Final = frozenset(
    {
        kinds.ALERT_RAISED,
        kinds.ALERT_CHANGED,
        kinds.ALERT_ACKNOWLEDGED,
        kinds.ALERT_RESOLVED,
        kinds.ALERT_EXPIRED,
        kinds.ALERT_SILENCED,
    }
)
"""The kinds of records that the figures rest on."""
_ROLES: Final = frozenset(str(each) for each in Actor)


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alert as it counts here.

    Attributes:
        role: who is to act; "" where nobody is.
        raised_at, acknowledged_at, ended_at: instants (s); None while it has not come.
    """

    kind: str
    subject: str
    severity: str
    role: str
    raised_at: float
    acknowledged_at: float | None = None
    ended_at: float | None = None
    silenced: bool = False

    def stood_s(self, now: float) -> float:
        """How long it was neither acknowledged nor over, by an instant (s)."""
        ends = [each for each in (self.acknowledged_at, self.ended_at) if each is not None]
        return max(min([*ends, now]) - self.raised_at, 0.0)


@dataclass(frozen=True, slots=True)
class Quality:
    """The figures of one role, from ``begins`` until ``ends`` (instants, s).

    Attributes:
        alarms: how many demanded its action; silenced ones do not count.
        mean_per_10min, peak_per_10min: of these; the peak is of any ten minutes.
        flood_share: share (0 to 1) of the time that was in flood.
        standing: how many stood longer than a day, neither acknowledged nor over.
        chattering: how many kinds and subjects were raised three times in ten minutes.
        repeats: how many had been raised before in this time, of the same kind and subject.
        top: the ten kinds that were raised most, with their counts.
        priorities: share (0 to 1) of each severity.
        acknowledged: how many of them somebody acknowledged.
        median_s, longest_s: seconds until that; None where nobody did.
        silenced: how many were held back by a silence.
        notices: alerts that demanded nothing; told for everyone only.
    """

    role: str
    begins: float
    ends: float
    alarms: int = 0
    mean_per_10min: float = 0.0
    peak_per_10min: int = 0
    flood_share: float = 0.0
    standing: int = 0
    chattering: int = 0
    repeats: int = 0
    top: tuple[tuple[str, int], ...] = ()
    priorities: Mapping[str, float] = field(default_factory=dict)
    acknowledged: int = 0
    median_s: float | None = None
    longest_s: float | None = None
    silenced: int = 0
    notices: int = 0

    def as_json(self) -> dict[str, Any]:
        """The figures as JSON values."""
        return {
            "role": self.role,
            "from": machine(self.begins, NEAREST),
            "to": machine(self.ends, NEAREST),
            "alarms": self.alarms,
            "mean_per_10min": round(self.mean_per_10min, 3),
            "peak_per_10min": self.peak_per_10min,
            "flood_share": round(self.flood_share, 4),
            "standing": self.standing,
            "chattering": self.chattering,
            "repeats": self.repeats,
            "top": [{"kind": kind, "count": count} for kind, count in self.top],
            "priorities": {name: round(share, 3) for name, share in self.priorities.items()},
            "acknowledged": self.acknowledged,
            "median_s": self.median_s,
            "longest_s": self.longest_s,
            "silenced": self.silenced,
            "notices": self.notices,
        }


def role_of(do: str) -> str:
    """Who is to act, by what an alert says is to be done; "" where nobody is."""
    role = do.partition(":")[0].strip()
    return role if role in _ROLES else str(Actor.CONTROLLER) if do.strip() else ""


def alarms_of(records: Iterable[Record]) -> list[Alarm]:
    """The alerts of a ledger's records, which are given in its order.

    One that comes to wait again, because it is worse or nearer, is one more alarm.
    """
    found: dict[str, Alarm] = {}
    for record in records:
        body = record.body
        identity = str(body.get("identity", ""))
        if record.kind == kinds.ALERT_RAISED:
            found.setdefault(identity, _alarm(record, is_event=body.get("sort") == "event"))
        elif record.kind == kinds.ALERT_CHANGED and identity in found:
            before = found[identity]
            again = _alarm(record, is_event=before.ended_at is not None)
            if body["again"]:
                found[f"{identity} until {record.at}"] = replace(before, ended_at=record.at)
                found[identity] = again
            else:
                found[identity] = replace(before, ended_at=again.ended_at)
        elif identity in found:
            found[identity] = _after(found[identity], record)
    return list(found.values())


def _alarm(record: Record, *, is_event: bool) -> Alarm:
    body = record.body
    over = body.get("over_at") if is_event else None
    return Alarm(
        kind=FORMER_KINDS.get(str(body["kind"]), str(body["kind"])),
        subject=record.subject,
        severity=str(body["severity"]),
        role=role_of(str(body.get("do", body.get("advice", "")))),
        raised_at=record.at,
        ended_at=None if over is None else max(from_text(str(over)), record.at),
    )


def _after(alarm: Alarm, record: Record) -> Alarm:
    if record.kind == kinds.ALERT_ACKNOWLEDGED and alarm.acknowledged_at is None:
        return replace(alarm, acknowledged_at=record.at)
    if record.kind in (kinds.ALERT_RESOLVED, kinds.ALERT_EXPIRED):
        ended = record.at if alarm.ended_at is None else min(alarm.ended_at, record.at)
        return replace(alarm, ended_at=ended)
    if record.kind == kinds.ALERT_SILENCED:
        return replace(alarm, silenced=True)
    return alarm


def alarm_of(tracked: TrackedAlert) -> Alarm:
    """An alert that the service keeps in mind, as it counts here."""
    alert, ended = tracked.alert, tracked.finished_at
    if tracked.expired_at is not None:
        ended = min(ended, tracked.expired_at)
    return Alarm(
        kind=alert.kind,
        subject=alert.subject,
        severity=str(alert.severity),
        role=role_of(alert.do),
        raised_at=tracked.waits_since,
        acknowledged_at=tracked.acknowledged_at,
        ended_at=None if math.isinf(ended) else max(ended, tracked.waits_since),
        silenced=any(each.outcome is Outcome.SILENCED for each in tracked.fates.values()),
    )


def quality(alarms: Iterable[Alarm], begins: float, ends: float) -> tuple[Quality, ...]:
    """The figures of everyone together, then of each role that had to act.

    Args:
        begins, ends: instants (s); what was raised before is only looked at for what still stood.
    """
    given = [each for each in alarms if each.raised_at < ends]
    roles = sorted({each.role for each in given if each.role and each.raised_at >= begins})
    return (
        _of_role(EVERYONE, given, begins, ends),
        *(
            _of_role(role, [each for each in given if each.role == role], begins, ends)
            for role in roles
        ),
    )


def by_day(alarms: Iterable[Alarm], begins: float, ends: float) -> tuple[Quality, ...]:
    """The figures of each day (UTC) between two instants (s), day by day."""
    given = list(alarms)
    days: list[Quality] = []
    for first, last in _days(begins, ends):
        days += quality(given, first, last)
    return tuple(days)


def _days(begins: float, ends: float) -> Iterator[tuple[float, float]]:
    first = begins
    while first < ends:
        day = str(machine(first, NEAREST))[:10]
        midnight = from_text(f"{day}T00:00:00Z")
        # From noon on the next day's date, whatever leap second lies between.
        after = str(machine(midnight + 1.5 * DAY_S, NEAREST))[:10]
        last = min(from_text(f"{after}T00:00:00Z"), ends)
        yield first, last
        first = last


def _of_role(role: str, given: Sequence[Alarm], begins: float, ends: float) -> Quality:
    inside = [each for each in given if each.raised_at >= begins]
    mine = sorted(
        (each for each in inside if each.role and not each.silenced),
        key=lambda each: each.raised_at,
    )
    times = [each.raised_at for each in mine]
    waits = [
        each.acknowledged_at - each.raised_at
        for each in mine
        if each.acknowledged_at is not None and each.acknowledged_at <= ends
    ]
    severities = Counter(each.severity for each in mine)
    same = Counter((each.kind, each.subject) for each in mine)
    return Quality(
        role=role,
        begins=begins,
        ends=ends,
        alarms=len(mine),
        mean_per_10min=len(mine) / max((ends - begins) / WINDOW_S, 1.0),
        peak_per_10min=_peak(times),
        flood_share=_flood_s(times, begins, ends) / (ends - begins) if ends > begins else 0.0,
        standing=sum(
            each.stood_s(ends) > STANDS_S and not _over_by(each, begins)
            for each in given
            if each.role
        ),
        chattering=sum(
            _peak([each.raised_at for each in mine if (each.kind, each.subject) == key]) >= CHATTERS
            for key, count in same.items()
            if count >= CHATTERS
        ),
        repeats=len(mine) - len(same),
        top=tuple(Counter(each.kind for each in mine).most_common(TOP)),
        priorities={
            str(each): severities[str(each)] / len(mine) if mine else 0.0 for each in Severity
        },
        acknowledged=len(waits),
        median_s=round(median(waits), 1) if waits else None,
        longest_s=round(max(waits), 1) if waits else None,
        silenced=sum(each.silenced for each in inside if each.role),
        notices=sum(not each.role for each in inside),
    )


def _over_by(alarm: Alarm, instant: float) -> bool:
    """Whether it was acknowledged or over by an instant (s)."""
    ends = (alarm.acknowledged_at, alarm.ended_at)
    return any(each is not None and each <= instant for each in ends)


def _peak(times: Sequence[float]) -> int:
    """The most within any ten minutes, of moments in order."""
    most = first = 0
    for last, at in enumerate(times):
        while times[first] <= at - WINDOW_S:
            first += 1
        most = max(most, last - first + 1)
    return most


def _flood_s(times: Sequence[float], begins: float, ends: float) -> float:
    """Seconds in flood, by ten minutes after ten minutes."""
    flood_s, in_flood, place, first = 0.0, False, 0, begins
    while first < ends:
        last, count = min(first + WINDOW_S, ends), 0
        while place < len(times) and times[place] < last:
            count, place = count + 1, place + 1
        in_flood = count > FLOOD_BEGINS or (in_flood and count >= FLOOD_ENDS)
        flood_s += (last - first) * in_flood
        first = last
    return flood_s
