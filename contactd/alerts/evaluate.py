"""What is to be raised, changed, resolved and counted as missed, from what there is and was.

Pure and deterministic: the same state, candidates and instant give the same records. The caller
appends them to the ledger in one go before anything is sent.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import islice

from contactd.alerts.candidate import Candidate, Candidates, Sort
from contactd.alerts.living import (
    WORTH_TELLING_S,
    News,
    Present,
    change_in_words,
    family_of,
    is_told,
    matching,
    news_of,
    present,
)
from contactd.alerts.series import NO_END
from contactd.alerts.tracked import SERVICE, AlertState, TrackedAlert
from contactd.core import alert as alert_kinds
from contactd.core import record as kinds
from contactd.core.alert import Severity
from contactd.core.record import Record
from contactd.mission.texts import changed as texts
from contactd.mission.texts.rehearsed import unmarked
from contactd.mission.texts.service import alerts_missed
from contactd.mission.texts.text import Text
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
    now_is = present(candidates.candidates, now)
    matched = matching(state, now_is, now)
    raised = _to_raise(state, now_is, set(map(id, matched.values())), now)
    missed = _to_miss(state, now_is, was_down_since)
    raised.sort(key=lambda each: (-list(Severity).index(each.severity), each.due, each.series))

    def is_late(candidate: Candidate) -> bool:
        return (
            was_down_since is not None
            and candidate.due >= was_down_since
            and now - candidate.due > LATE_AFTER_S
        )

    raised = raised[:MOST_AT_ONCE]
    records = [_raise(candidate, now, is_late(candidate), channels) for candidate in raised]
    changes = (
        _change(state.tracked[identity], candidate, candidates, now, channels)
        for identity, candidate in matched.items()
    )
    records.extend(islice((each for each in changes if each is not None), MOST_AT_ONCE))
    ended = _to_resolve(state, candidates, matched, now)
    in_place = _in_place(state, ended, raised, now)
    records.extend(_resolve(tracked, candidates, in_place, now) for tracked in ended[:MOST_AT_ONCE])
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


def _to_raise(state: AlertState, now_is: Present, matched: set[int], now: float) -> list[Candidate]:
    """What holds, or is to happen, and no alert tells; of several leads the shortest."""
    found: dict[str, list[Candidate]] = {}
    for candidate in sorted(now_is.due, key=lambda each: (each.lead_s, each.begins)):
        if id(candidate) in matched or is_told(state, candidate, now):
            continue
        others = found.setdefault(candidate.series, [])
        if not any(
            candidate.alone or candidate.meets(other.begins, other.ends) for other in others
        ):
            others.append(candidate)
    return [candidate for some in found.values() for candidate in some]


def _to_miss(state: AlertState, now_is: Present, was_down_since: float | None) -> list[Candidate]:
    """Events that fell due while nobody looked, and are over; of several leads the shortest."""
    if was_down_since is None:
        return []
    found: dict[str, list[Candidate]] = {}
    for candidate in sorted(now_is.over, key=lambda each: (each.series, each.lead_s, each.begins)):
        series = candidate.series
        others = found.setdefault(series, [])
        known = [(each.begins, each.ends) for each in others]
        known += [(each.begins, each.ends) for each in state.of_series(series)]
        known += [(each.begins, each.ends) for each in state.missed.get(series, ())]
        told = any(candidate.meets(*each) for each in known)
        if candidate.due >= was_down_since and not told:
            others.append(candidate)
    return [candidate for some in found.values() for candidate in some]


def _to_resolve(
    state: AlertState, candidates: Candidates, matched: Mapping[str, Candidate], now: float
) -> list[TrackedAlert]:
    """Open alerts whose cause is gone: it was looked for, and is not there any more."""
    return [
        tracked
        for identity, tracked in state.tracked.items()
        if tracked.resolved_at is None
        and identity not in matched
        and tracked.alert.kind != alert_kinds.ALERTS_MISSED
        and (tracked.sort is Sort.CONDITION or now < tracked.alert.over_at)
        and (
            candidates.is_retired(tracked.alert.subject)
            or candidates.looked_for(
                tracked.alert.kind, tracked.alert.target, tracked.alert.subject, tracked.series
            )
        )
    ]


def _in_place(
    state: AlertState, ended: list[TrackedAlert], raised: list[Candidate], now: float
) -> dict[tuple[str, str], str]:
    """By family: the identity of the alert that stands in the place of those that ended."""
    gone = {each.alert.identity for each in ended}
    found: dict[tuple[str, str], str] = {}
    for tracked in state.tracked.values():
        family = family_of(tracked.alert.kind, tracked.alert.subject)
        standing = now < tracked.finished_at and tracked.alert.identity not in gone
        if family is not None and standing:
            found[family] = tracked.alert.identity
    for candidate in raised:
        family = family_of(candidate.kind, candidate.subject)
        if family is not None:
            found[family] = identity_of(candidate, now)
    return found


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

    The same fact may come again later and is then another alert: the moment is part of the key.
    """
    text = "|".join((candidate.series, str(_text(candidate.begins)), str(_text(now))))
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
            "sort": candidate.sort.value,
            "target": candidate.target,
            "late": late,
            "channels": channels(candidate),
            **_facts(candidate),
            **_known_by(candidate),
            "rests_on": candidate.rests_on,
        },
    )


def _facts(candidate: Candidate) -> dict[str, object]:
    """What is the case now, as records have it."""
    decide_by = candidate.decide_by
    return {
        "kind": candidate.kind,
        "severity": candidate.severity.value,
        "what": candidate.what,
        "do": candidate.text.do,
        "notice": candidate.text.notice,
        "due": _text(candidate.due),
        "moment": _text(candidate.moment),
        "over_at": _text(candidate.over_at),
        "facts": dict(candidate.facts),
        "span": None if candidate.span is None else [_text(each) for each in candidate.span],
        "decide_by": NO_END if decide_by == math.inf else _text(decide_by or -math.inf),
    }


def _change(
    tracked: TrackedAlert,
    candidate: Candidate,
    candidates: Candidates,
    now: float,
    channels: Callable[[Candidate], list[str]],
) -> Record | None:
    """The record of what has become of an alert, or None where it still says what is so."""
    news = news_of(tracked, candidate, now)
    alert = tracked.alert
    said = (alert.severity, unmarked(alert.what), alert.do, alert.subject)
    if news is News.NONE and said == (
        candidate.severity, candidate.what, candidate.do, candidate.subject
    ):  # fmt: skip
        return None
    words = change_in_words(tracked, candidate, candidates, now)
    heard = candidate
    if news is News.BETTER:
        heard = replace(candidate, severity=Severity.ADVISORY)
    again = news is News.WORSE or (news is News.NEARER and alert.severity is not Severity.ADVISORY)
    identity = alert.identity
    lead_s = min(candidate.lead_s, tracked.lead_s)
    if abs(candidate.moment - alert.moment) >= WORTH_TELLING_S:
        # It has moved: the leads that are to come are told again.
        lead_s = candidate.lead_s if candidate.due <= now else math.inf
    return Record(
        at=now,
        kind=kinds.ALERT_CHANGED,
        subject=candidate.subject,
        author=SERVICE,
        identity=f"changed:{identity}:{_text(now)}",
        body={
            "identity": identity,
            "news": news.value,
            "changed": words,
            "again": again,
            "told": [] if news is News.NONE else channels(heard),
            **_facts(candidate),
            "begins": _text(candidate.begins),
            "ends": _text(candidate.ends),
            "lead_s": lead_s if math.isfinite(lead_s) else None,
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


def _resolve(
    tracked: TrackedAlert, candidates: Candidates, in_place: Mapping[tuple[str, str], str],
    now: float,
) -> Record:  # fmt: skip
    alert = tracked.alert
    family = family_of(alert.kind, alert.subject)
    by = "" if family is None else in_place.get(family, "")
    if by:
        why, text = "superseded", Text("", "")
    elif candidates.is_retired(alert.subject):
        why, text = "retired", texts.retired(alert.what)
    elif now >= alert.over_at:
        why, text = "over", texts.over(alert.what)
    else:
        why, text = (
            "ended",
            texts.resolved(
                alert.kind, alert.target, alert.what, candidates.now_is.get(alert.subject, "")
            ),
        )
    body: dict[str, object] = {"identity": alert.identity, "why": why}
    body |= {"by": by} if by else {"what": text.what, "do": text.do}
    return Record(
        at=now,
        kind=kinds.ALERT_RESOLVED,
        subject=alert.subject,
        author=SERVICE,
        identity=f"resolved:{alert.identity}",
        body=body,
    )
