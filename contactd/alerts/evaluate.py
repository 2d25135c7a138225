"""The beat of alerts: what has been told, what is worth telling, and so what is to be told now.

Pure and deterministic: the same state, matters and instant give the same records. The caller
appends them to the ledger in one go before anything is sent.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from contactd.alerts.candidate import Matter, Matters, Sort
from contactd.alerts.tracked import SERVICE, AlertState, Told
from contactd.alerts.words import as_text, duration, moment
from contactd.core import alert as alert_kinds
from contactd.core import record as kinds
from contactd.core.alert import Severity
from contactd.core.record import Record

LATE_AFTER_S = 2.0
"""An event that fell due during downtime, but no longer ago than this, is not called late."""
MOST_MISSED_LISTED = 50
MOST_AT_ONCE = 3_000
"""Alerts raised, resolved and missed by one beat, each; the next beat raises and resolves the rest,
and of more missed ones than this only their number is recorded."""
KEPT_OPEN_S = 86_400.0
"""How long the caution about missed alerts stays open if nobody acknowledges it."""


@dataclass(frozen=True, slots=True)
class Reach:
    """What one channel is told.

    Attributes:
        least_severity: less severe alerts are not sent there.
        kinds, targets: only these; None for all.
    """

    channel: str
    least_severity: Severity = Severity.ADVISORY
    kinds: frozenset[str] | None = None
    targets: frozenset[str] | None = None

    def wants(self, severity: Severity, kind: str, target: str) -> bool:
        """Whether an alert goes to the channel."""
        order = list(Severity)
        return (
            order.index(severity) >= order.index(self.least_severity)
            and (self.kinds is None or kind in self.kinds)
            and (self.targets is None or not target or target in self.targets)
        )


def beat(
    state: AlertState,
    matters: Matters,
    now: float,
    was_down_since: float | None = None,
    reaches: Iterable[Reach] = (),
) -> list[Record]:
    """Records of what is to be raised, resolved and counted as missed at ``now``.

    Args:
        state: what has been told.
        matters: what is worth telling; looked for not later than ``now``.
        now: instant (s).
        was_down_since: instant (s) since which nobody looked (after a restart, a suspend, a step
            of the clock), or None while the service looks all the time.
        reaches: the channels, and what each is told.

    Returns:
        records to append, in one go, before anything is sent; none when there is nothing new. Each
        alert raised by them is in ``state`` once they are folded into it.
    """
    channels = _channels(tuple(reaches))
    due = [matter for matter in matters.matters if matter.due <= now]
    raised = _conditions_to_raise(state, due, now)
    resolved = _conditions_to_resolve(state, matters, due, now)
    told, missed = _events(state, due, now, was_down_since)
    raised.extend(told)
    raised.sort(key=lambda each: (-list(Severity).index(each.severity), each.due, each.series))

    def is_late(matter: Matter) -> bool:
        return (
            was_down_since is not None
            and matter.due >= was_down_since
            and now - matter.due > LATE_AFTER_S
        )

    records = [_raise(matter, now, is_late(matter), channels) for matter in raised[:MOST_AT_ONCE]]
    records.extend(_resolve(told, now) for told in resolved[:MOST_AT_ONCE])
    if missed:
        assert was_down_since is not None
        records.append(_raise(_summary(missed, was_down_since, now), now, False, channels))
        records.extend(_miss(matter, now) for matter in missed[:MOST_AT_ONCE])
    return records


def _channels(reaches: tuple[Reach, ...]) -> Callable[[Matter], list[str]]:
    def of(matter: Matter) -> list[str]:
        return [
            reach.channel
            for reach in reaches
            if reach.wants(matter.severity, matter.kind, matter.target)
        ]

    return of


def _conditions_to_raise(state: AlertState, due: list[Matter], now: float) -> list[Matter]:
    found: dict[str, list[Matter]] = {}
    for matter in due:
        if matter.sort is not Sort.CONDITION or not matter.holds_at(now) or _is_told(state, matter):
            continue
        others = found.setdefault(matter.series, [])
        if not any(matter.meets(other.begins, other.ends) for other in others):
            others.append(matter)
    return [matter for some in found.values() for matter in some]


def _conditions_to_resolve(
    state: AlertState, matters: Matters, due: list[Matter], now: float
) -> list[Told]:
    holding: dict[str, list[Matter]] = {}
    for matter in due:
        if matter.sort is Sort.CONDITION and matter.holds_at(now):
            holding.setdefault(matter.series, []).append(matter)
    return [
        told
        for told in state.told.values()
        if told.sort is Sort.CONDITION
        and told.resolved_at is None
        and not any(told.tells(matter) for matter in holding.get(told.series, ()))
        and not (matters.leaves_open(told.alert.kind, told.rests_on) and now < told.alert.over_at)
    ]


def _events(
    state: AlertState, due: list[Matter], now: float, was_down_since: float | None
) -> tuple[list[Matter], list[Matter]]:
    """Events to raise, and events to count as missed."""
    to_raise: list[Matter] = []
    to_miss: list[Matter] = []
    settled: dict[str, list[Matter]] = {}
    # The shortest lead of a fact comes first and makes the longer ones needless.
    events = (matter for matter in due if matter.sort is Sort.EVENT)
    for matter in sorted(events, key=lambda each: (each.series, each.lead_s, each.begins)):
        if _is_told(state, matter) or any(
            matter.meets(other.begins, other.ends) for other in settled.get(matter.series, ())
        ):
            continue
        if now <= matter.over_at:
            to_raise.append(matter)
        elif was_down_since is not None and matter.due >= was_down_since:
            if not _is_missed(state, matter):
                to_miss.append(matter)
        else:
            continue
        settled.setdefault(matter.series, []).append(matter)
    return to_raise, to_miss


def _is_told(state: AlertState, matter: Matter) -> bool:
    return any(told.tells(matter) for told in state.of_series(matter.series))


def _is_missed(state: AlertState, matter: Matter) -> bool:
    return any(
        matter.meets(missed.begins, missed.ends) for missed in state.missed.get(matter.series, ())
    )


def _summary(missed: list[Matter], was_down_since: float, now: float) -> Matter:
    """One caution for everything that one catch-up found too late."""
    missed = sorted(missed, key=lambda each: (-list(Severity).index(each.severity), each.due))
    several = "1 alert" if len(missed) == 1 else f"{len(missed)} alerts"
    grave = sum(each.severity is Severity.WARNING for each in missed)
    graver = f", {grave} of them warnings" if grave else ""
    return Matter(
        kind=alert_kinds.ALERTS_MISSED,
        sort=Sort.EVENT,
        severity=Severity.CAUTION,
        target="",
        subject="contactd",
        series=alert_kinds.ALERTS_MISSED,
        what=(
            f"Nobody looked from {moment(was_down_since)} for {duration(now - was_down_since)}; "
            f"{several} could not be told in time{graver}. The first: {missed[0].what}"
        ),
        advice="Check what happened meanwhile, and enter what is known of it.",
        due=now,
        concerns=now,
        over_at=now + KEPT_OPEN_S,
        begins=now,
        ends=now,
        facts={
            "down_since": as_text(was_down_since),
            "count": len(missed),
            "missed": [
                {"kind": each.kind, "what": each.what, "due": as_text(each.due)}
                for each in missed[:MOST_MISSED_LISTED]
            ],
        },
    )


def identity_of(matter: Matter, now: float) -> str:
    """The idempotency key of the alert that tells a matter.

    A condition may come again later and is then another alert, so that the moment is part of it.
    """
    again = str(as_text(now)) if matter.sort is Sort.CONDITION else ""
    text = "|".join((matter.series, f"{matter.lead_s:g}", str(as_text(matter.begins)), again))
    return f"{matter.kind}-{hashlib.sha256(text.encode()).hexdigest()[:20]}"


def _raise(
    matter: Matter, now: float, late: bool, channels: Callable[[Matter], list[str]]
) -> Record:
    identity = identity_of(matter, now)
    return Record(
        at=now,
        kind=kinds.ALERT_RAISED,
        subject=matter.subject,
        author=SERVICE,
        identity=f"raised:{identity}",
        body={
            "identity": identity,
            "kind": matter.kind,
            "sort": matter.sort.value,
            "severity": matter.severity.value,
            "target": matter.target,
            "what": matter.what,
            "advice": matter.advice,
            "due": as_text(matter.due),
            "concerns": as_text(matter.concerns),
            "over_at": as_text(matter.over_at),
            "late": late,
            "facts": dict(matter.facts),
            "channels": channels(matter),
            **_known_by(matter),
            "rests_on": matter.rests_on,
        },
    )


def _miss(matter: Matter, now: float) -> Record:
    return Record(
        at=now,
        kind=kinds.ALERT_MISSED,
        subject=matter.subject,
        author=SERVICE,
        identity=f"missed:{identity_of(matter, now)}",
        body={
            "kind": matter.kind,
            "target": matter.target,
            "what": matter.what,
            "due": as_text(matter.due),
            "concerns": as_text(matter.concerns),
            "over_at": as_text(matter.over_at),
            **_known_by(matter),
        },
    )


def _known_by(matter: Matter) -> dict[str, object]:
    return {
        "series": matter.series,
        "begins": as_text(matter.begins),
        "ends": as_text(matter.ends),
        "lead_s": matter.lead_s,
    }


def _resolve(told: Told, now: float) -> Record:
    return Record(
        at=now,
        kind=kinds.ALERT_RESOLVED,
        subject=told.alert.subject,
        author=SERVICE,
        identity=f"resolved:{told.alert.identity}",
        body={
            "identity": told.alert.identity,
            "why": "over" if now >= told.alert.over_at else "ended",
        },
    )
