"""What is done about alerts as time passes: escalated, held back for good, expired.

Pure and deterministic, like the beat; the records go into the ledger together with the beat's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from contactd.alerts.candidate import Sort
from contactd.alerts.escalation_policy import Care, Manner
from contactd.alerts.tracked import SERVICE, AlertState, TrackedAlert
from contactd.core import record as kinds
from contactd.core.alert import Severity
from contactd.core.record import Record

PLAIN = Manner()


def tend(
    state: AlertState, care: Care, now: float, manners: Mapping[str, Manner] | None = None
) -> list[Record]:
    """Records of what becomes of alerts at ``now`` because time has passed.

    Args:
        now: instant (s).
        manners: how each channel is spoken to, by name.
    """
    records: list[Record] = []
    for identity in sorted(state.waiting):
        tracked = state.tracked[identity]
        if tracked.is_open(now):
            records.extend(_escalate(state, tracked, care, now))
        elif _is_expired(tracked, now):
            records.append(_record(kinds.ALERT_EXPIRED, tracked, now, "expired", {}))
    for identity in sorted(state.unsettled):
        tracked = state.tracked[identity]
        if now >= tracked.finished_at:
            records.extend(_hold_back(state, tracked, manners or {}, now))
    return records


def next_tending(state: AlertState, care: Care, now: float) -> float:
    """The next instant (s) after ``now`` at which :func:`tend` may have something to do."""
    moments = [math.inf]
    for identity in state.waiting:
        tracked = state.tracked[identity]
        moments.append(tracked.finished_at)
        climbed = {each.rung for each in tracked.escalations if each.again == tracked.again}
        moments.extend(
            told_from(state, tracked) + rung.after_s
            for number, rung in enumerate(care.ladder, 1)
            if number not in climbed
        )
    return min(moment for moment in moments if moment > now)


def told_from(state: AlertState, tracked: TrackedAlert) -> float:
    """Since when (instant, s) an alert waits and could be told: no silence held it back."""
    since = tracked.waits_since
    while (silence := state.silence_of(tracked.alert, since)) is not None:
        since = silence.until
    return since


def _escalate(state: AlertState, tracked: TrackedAlert, care: Care, now: float) -> Iterator[Record]:
    if not care.ladder or state.silence_of(tracked.alert, now) is not None:
        return
    order = list(Severity)
    climbed = {each.rung for each in tracked.escalations if each.again == tracked.again}
    since = told_from(state, tracked)
    for number, rung in enumerate(care.ladder, 1):
        severe = order.index(tracked.alert.severity) >= order.index(rung.least_severity)
        if number in climbed or not severe or now < since + rung.after_s:
            continue
        body = {
            "rung": number,
            "role": rung.role,
            "channels": list(care.channels_of(rung.role, now)),
            "again": tracked.again,
        }
        what = f"escalated-{number}" + (f".{tracked.again}" if tracked.again else "")
        yield _record(kinds.ALERT_ESCALATED, tracked, now, what, body)


def _is_expired(tracked: TrackedAlert, now: float) -> bool:
    """Whether it is more than an advisory, and was over before anybody acknowledged it."""
    return (
        tracked.sort is Sort.EVENT
        and tracked.expired_at is None
        and tracked.resolved_at is None
        and now >= tracked.alert.over_at
        and tracked.alert.severity is not Severity.ADVISORY
    )


def _hold_back(
    state: AlertState, tracked: TrackedAlert, manners: Mapping[str, Manner], now: float
) -> Iterator[Record]:
    """What was held back until it was over is not sent any more."""
    identity = tracked.alert.identity
    silence = state.silence_of(tracked.alert, now)
    held = [
        channel
        for channel in tracked.channels
        if (identity, channel) not in tracked.fates
        and (
            silence is not None or manners.get(channel, PLAIN).is_quiet(tracked.alert.severity, now)
        )
    ]
    if held:
        why = f"silence {silence.identity}: {silence.why}" if silence else "quiet hours"
        body: dict[str, object] = {"channels": held, "why": why}
        yield _record(kinds.ALERT_SILENCED, tracked, now, "silenced", body)


def _record(
    kind: str, tracked: TrackedAlert, now: float, what: str, body: Mapping[str, object]
) -> Record:
    identity = tracked.alert.identity
    return Record(
        at=now,
        kind=kind,
        subject=tracked.alert.subject,
        author=SERVICE,
        identity=f"{what}:{identity}",
        body={"identity": identity, **body},
    )
