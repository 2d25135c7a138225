"""What is to be raised, resolved and counted as missed, from what there is and what was raised.

Pure and deterministic: the same state, candidates and instant give the same records. The caller
appends them to the ledger in one go before anything is sent.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from contactd.alerts.candidate import Candidate, Candidates, Sort
from contactd.alerts.tracked import SERVICE, AlertState, TrackedAlert
from contactd.core import alert as alert_kinds
from contactd.core import record as kinds
from contactd.core.alert import Severity
from contactd.core.record import Record
from contactd.mission.texts.service import alerts_missed
from contactd.mission.timetext import recorded_finite as _text

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
    """Which alerts one channel gets.

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


def evaluate(
    state: AlertState,
    candidates: Candidates,
    now: float,
    was_down_since: float | None = None,
    reaches: Iterable[Reach] = (),
) -> list[Record]:
    """Records of what is to be raised, resolved and counted as missed at ``now``.

    Args:
        state: the alerts that have been raised.
        candidates: what is worth telling; looked for not later than ``now``.
        now: instant (s).
        was_down_since: instant (s) since which nobody looked (after a restart, a suspend, a step
            of the clock), or None while the service looks all the time.
        reaches: the channels, and which alerts each gets.

    Returns:
        records to append, in one go, before anything is sent; none when there is nothing new. Each
        alert raised by them is in ``state`` once they are folded into it.
    """
    channels = _channels(tuple(reaches))
    due = [candidate for candidate in candidates.candidates if candidate.due <= now]
    raised = _conditions_to_raise(state, due, now)
    resolved = _conditions_to_resolve(state, candidates, due, now)
    tracked, missed = _events(state, due, now, was_down_since)
    raised.extend(tracked)
    raised.sort(key=lambda each: (-list(Severity).index(each.severity), each.due, each.series))

    def is_late(candidate: Candidate) -> bool:
        return (
            was_down_since is not None
            and candidate.due >= was_down_since
            and now - candidate.due > LATE_AFTER_S
        )

    records = [
        _raise(candidate, now, is_late(candidate), channels) for candidate in raised[:MOST_AT_ONCE]
    ]
    records.extend(_resolve(tracked, now) for tracked in resolved[:MOST_AT_ONCE])
    if missed:
        assert was_down_since is not None
        records.append(_raise(_summary(missed, was_down_since, now), now, False, channels))
        records.extend(_miss(candidate, now) for candidate in missed[:MOST_AT_ONCE])
    return records


def _channels(reaches: tuple[Reach, ...]) -> Callable[[Candidate], list[str]]:
    def of(candidate: Candidate) -> list[str]:
        return [
            reach.channel
            for reach in reaches
            if reach.wants(candidate.severity, candidate.kind, candidate.target)
        ]

    return of


def _conditions_to_raise(state: AlertState, due: list[Candidate], now: float) -> list[Candidate]:
    found: dict[str, list[Candidate]] = {}
    for candidate in due:
        if (
            candidate.sort is not Sort.CONDITION
            or not candidate.holds_at(now)
            or _is_raised(state, candidate)
        ):
            continue
        others = found.setdefault(candidate.series, [])
        if not any(candidate.meets(other.begins, other.ends) for other in others):
            others.append(candidate)
    return [candidate for some in found.values() for candidate in some]


def _conditions_to_resolve(
    state: AlertState, candidates: Candidates, due: list[Candidate], now: float
) -> list[TrackedAlert]:
    holding: dict[str, list[Candidate]] = {}
    for candidate in due:
        if candidate.sort is Sort.CONDITION and candidate.holds_at(now):
            holding.setdefault(candidate.series, []).append(candidate)
    # Not being looked at any more is no end: then nobody knows whether the condition still holds.
    return [
        tracked
        for tracked in state.tracked.values()
        if tracked.sort is Sort.CONDITION
        and tracked.resolved_at is None
        and not any(tracked.is_about(candidate) for candidate in holding.get(tracked.series, ()))
        and candidates.looked_for(
            tracked.alert.kind, tracked.alert.target, tracked.alert.subject, tracked.series
        )
    ]


def _events(
    state: AlertState, due: list[Candidate], now: float, was_down_since: float | None
) -> tuple[list[Candidate], list[Candidate]]:
    """Events to raise, and events to count as missed."""
    to_raise: list[Candidate] = []
    to_miss: list[Candidate] = []
    settled: dict[str, list[Candidate]] = {}
    # The shortest lead of a fact comes first and makes the longer ones needless.
    events = (candidate for candidate in due if candidate.sort is Sort.EVENT)
    for candidate in sorted(events, key=lambda each: (each.series, each.lead_s, each.begins)):
        if _is_raised(state, candidate) or any(
            candidate.meets(other.begins, other.ends) for other in settled.get(candidate.series, ())
        ):
            continue
        if now <= candidate.over_at:
            to_raise.append(candidate)
        elif was_down_since is not None and candidate.due >= was_down_since:
            if not _is_missed(state, candidate):
                to_miss.append(candidate)
        else:
            continue
        settled.setdefault(candidate.series, []).append(candidate)
    return to_raise, to_miss


def _is_raised(state: AlertState, candidate: Candidate) -> bool:
    return any(tracked.is_about(candidate) for tracked in state.of_series(candidate.series))


def _is_missed(state: AlertState, candidate: Candidate) -> bool:
    return any(
        candidate.meets(missed.begins, missed.ends)
        for missed in state.missed.get(candidate.series, ())
    )


def _summary(missed: list[Candidate], was_down_since: float, now: float) -> Candidate:
    """One caution for everything that one catch-up found too late."""
    missed = sorted(missed, key=lambda each: (-list(Severity).index(each.severity), each.due))
    grave = sum(each.severity is Severity.WARNING for each in missed)
    return Candidate(
        kind=alert_kinds.ALERTS_MISSED,
        sort=Sort.EVENT,
        severity=Severity.CAUTION,
        target="",
        subject="contactd",
        series=alert_kinds.ALERTS_MISSED,
        text=alerts_missed(was_down_since, now, len(missed), grave),
        due=now,
        moment=now,
        over_at=now + KEPT_OPEN_S,
        begins=now,
        ends=now,
        facts={
            "down_since": _text(was_down_since),
            "count": len(missed),
            "missed": [
                {"kind": each.kind, "what": each.what, "due": _text(each.due)}
                for each in missed[:MOST_MISSED_LISTED]
            ],
        },
    )


def identity_of(candidate: Candidate, now: float) -> str:
    """The idempotency key of the alert that tells a candidate.

    A condition may come again later and is then another alert, so that the moment is part of it.
    """
    again = str(_text(now)) if candidate.sort is Sort.CONDITION else ""
    text = "|".join(
        (candidate.series, f"{candidate.lead_s:g}", str(_text(candidate.begins)), again)
    )
    return f"{candidate.kind}-{hashlib.sha256(text.encode()).hexdigest()[:20]}"


def _raise(
    candidate: Candidate, now: float, late: bool, channels: Callable[[Candidate], list[str]]
) -> Record:
    identity = identity_of(candidate, now)
    return Record(
        at=now,
        kind=kinds.ALERT_RAISED,
        subject=candidate.subject,
        author=SERVICE,
        identity=f"raised:{identity}",
        body={
            "identity": identity,
            "kind": candidate.kind,
            "sort": candidate.sort.value,
            "severity": candidate.severity.value,
            "target": candidate.target,
            "what": candidate.what,
            "do": candidate.text.do,
            "notice": candidate.text.notice,
            "due": _text(candidate.due),
            "moment": _text(candidate.moment),
            "over_at": _text(candidate.over_at),
            "late": late,
            "facts": dict(candidate.facts),
            "channels": channels(candidate),
            **_known_by(candidate),
            "rests_on": candidate.rests_on,
        },
    )


def _miss(candidate: Candidate, now: float) -> Record:
    return Record(
        at=now,
        kind=kinds.ALERT_MISSED,
        subject=candidate.subject,
        author=SERVICE,
        identity=f"missed:{identity_of(candidate, now)}",
        body={
            "kind": candidate.kind,
            "target": candidate.target,
            "what": candidate.what,
            "due": _text(candidate.due),
            "moment": _text(candidate.moment),
            "over_at": _text(candidate.over_at),
            **_known_by(candidate),
        },
    )


def _known_by(candidate: Candidate) -> dict[str, object]:
    return {
        "series": candidate.series,
        "begins": _text(candidate.begins),
        "ends": _text(candidate.ends),
        "lead_s": candidate.lead_s,
    }


def _resolve(tracked: TrackedAlert, now: float) -> Record:
    return Record(
        at=now,
        kind=kinds.ALERT_RESOLVED,
        subject=tracked.alert.subject,
        author=SERVICE,
        identity=f"resolved:{tracked.alert.identity}",
        body={
            "identity": tracked.alert.identity,
            "why": "over" if now >= tracked.alert.over_at else "ended",
        },
    )
