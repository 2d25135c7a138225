"""What is done about alerts as time passes: escalated, held back for good, expired.

Pure and deterministic, like the beat; the records go into the ledger together with the beat's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from contactd.alerts.candidate import Sort
from contactd.alerts.escalation_policy import Care, Manner
from contactd.alerts.tracked import SERVICE, AlertState, Told
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
        told = state.told[identity]
        if told.is_open(now):
            records.extend(_escalate(state, told, care, now))
        elif _is_expired(told, now):
            records.append(_record(kinds.ALERT_EXPIRED, told, now, "expired", {}))
    for identity in sorted(state.unsettled):
        told = state.told[identity]
        if now >= told.finished_at:
            records.extend(_hold_back(state, told, manners or {}, now))
    return records


def next_tending(state: AlertState, care: Care, now: float) -> float:
    """The next instant (s) after ``now`` at which :func:`tend` may have something to do."""
    moments = [math.inf]
    for identity in state.waiting:
        told = state.told[identity]
        moments.append(told.finished_at)
        climbed = {each.rung for each in told.escalations}
        moments.extend(
            told.raised_at + rung.after_s
            for number, rung in enumerate(care.ladder, 1)
            if number not in climbed
        )
    return min(moment for moment in moments if moment > now)


def _escalate(state: AlertState, told: Told, care: Care, now: float) -> Iterator[Record]:
    if not care.ladder or state.silence_of(told.alert, now) is not None:
        return
    order = list(Severity)
    climbed = {each.rung for each in told.escalations}
    for number, rung in enumerate(care.ladder, 1):
        severe = order.index(told.alert.severity) >= order.index(rung.least_severity)
        if number in climbed or not severe or now < told.raised_at + rung.after_s:
            continue
        body = {
            "rung": number,
            "role": rung.role,
            "channels": list(care.channels_of(rung.role, now)),
        }
        yield _record(kinds.ALERT_ESCALATED, told, now, f"escalated-{number}", body)


def _is_expired(told: Told, now: float) -> bool:
    """Whether it is an event that was over before anybody acknowledged it, and that matters."""
    return (
        told.sort is Sort.EVENT
        and told.expired_at is None
        and now >= told.alert.over_at
        and told.alert.severity is not Severity.ADVISORY
    )


def _hold_back(
    state: AlertState, told: Told, manners: Mapping[str, Manner], now: float
) -> Iterator[Record]:
    """What was held back until its matter was over is not sent any more."""
    identity = told.alert.identity
    silence = state.silence_of(told.alert, now)
    held = [
        channel
        for channel in told.channels
        if (identity, channel) not in told.fates
        and (silence is not None or manners.get(channel, PLAIN).is_quiet(told.alert.severity, now))
    ]
    if held:
        why = f"silence {silence.identity}: {silence.why}" if silence else "quiet hours"
        body: dict[str, object] = {"channels": held, "why": why}
        yield _record(kinds.ALERT_SILENCED, told, now, "silenced", body)


def _record(kind: str, told: Told, now: float, what: str, body: Mapping[str, object]) -> Record:
    identity = told.alert.identity
    return Record(
        at=now,
        kind=kind,
        subject=told.alert.subject,
        author=SERVICE,
        identity=f"{what}:{identity}",
        body={"identity": identity, **body},
    )
