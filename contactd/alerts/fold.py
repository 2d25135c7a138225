"""How each kind of record changes what is known of alerts."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from contactd.alerts.candidate import Sort
from contactd.alerts.tracked import AlertState, Escalation, Fate, Missed, Outcome, Told
from contactd.core import record as kinds
from contactd.core.alert import FORMER_KINDS, Alert, DeadLetter, Severity, Silence
from contactd.core.instants import from_text
from contactd.core.record import Record

KEPT_S = 6 * 3600.0
"""How long after it is finished an alert is remembered: longer than replanning can move it."""
KEPT_LEAST = 1_000
"""So many finished alerts are remembered in any case, whatever a wrong clock said."""
MOST_DEAD_LETTERS = 200
MOST_SILENCES = 1_000


class Draft:
    """A state that is being made; the maps are copies of its own."""

    def __init__(self, state: AlertState) -> None:
        self.number = state.number
        self.latest_at = state.latest_at
        self.told = dict(state.told)
        self.by_series = dict(state.by_series)
        self.unsettled = set(state.unsettled)
        self.waiting = set(state.waiting)
        self.missed = dict(state.missed)
        self.silences = dict(state.silences)
        self.dead_letters = list(state.dead_letters)
        self.looked_at = state.looked_at
        self.catching_up = state.catching_up

    def look(self, record: Record) -> None:
        """Learn from one of the service's own records until when it has looked.

        What it writes between its start and its having caught up says only that it runs.
        """
        if record.kind == kinds.SERVICE_STARTED:
            self.catching_up = True
        elif record.kind == kinds.SERVICE_CAUGHT_UP:
            self.catching_up = False
        if not self.catching_up:
            self.looked_at = max(self.looked_at or -math.inf, record.at)

    def put(self, told: Told) -> None:
        """Keep a new or changed alert."""
        identity = told.alert.identity
        self.told[identity] = told
        (self.unsettled.discard if is_settled(told) else self.unsettled.add)(identity)
        open_for_ever = told.acknowledged_at is None and told.resolved_at is None
        done = not open_for_ever or told.expired_at is not None
        (self.waiting.discard if done else self.waiting.add)(identity)

    def change(self, identity: str, **changes: Any) -> None:
        """Change an alert, if it is remembered."""
        told = self.told.get(identity)
        if told is not None:
            self.put(replace(told, **changes))

    def finish(self) -> AlertState:
        """The state that was made, without what need not be remembered."""
        self._forget()
        return AlertState(
            number=self.number,
            latest_at=self.latest_at,
            told=self.told,
            by_series=self.by_series,
            unsettled=frozenset(self.unsettled),
            waiting=frozenset(self.waiting),
            missed=self.missed,
            silences=self.silences,
            dead_letters=tuple(self.dead_letters),
            looked_at=self.looked_at,
            catching_up=self.catching_up,
        )

    def _forget(self) -> None:
        """Let go of what has long been finished: nothing can make it a matter again."""
        before = self.latest_at - KEPT_S
        dead = {identity for letter in self.dead_letters for identity in letter.alerts}
        finished = [each for each in self.told.values() if each.finished_at < before]
        for each in _all_but_the_newest(finished):
            identity = each.alert.identity
            if identity in dead:
                continue
            del self.told[identity]
            self.unsettled.discard(identity)
            self.waiting.discard(identity)
            left = tuple(one for one in self.by_series[each.series] if one != identity)
            _keep(self.by_series, each.series, left)
        gone = [each for some in self.missed.values() for each in some if each.over_at < before]
        for missed in _all_but_the_newest(gone):
            kept = tuple(one for one in self.missed[missed.series] if one is not missed)
            _keep(self.missed, missed.series, kept)
        ended = [each for each in self.silences.values() if each.until < before]
        for silence in ended:
            del self.silences[silence.identity]


def _all_but_the_newest(some: list[Any]) -> list[Any]:
    if len(some) <= KEPT_LEAST:
        return []
    return sorted(some, key=lambda each: each.number or math.inf)[:-KEPT_LEAST]


def _keep(where: dict[str, Any], key: str, left: tuple[Any, ...]) -> None:
    if left:
        where[key] = left
    else:
        del where[key]


def is_settled(told: Told) -> bool:
    """Whether every channel's part in an alert has come to its end, reminders apart."""
    identity = told.alert.identity

    def final(part: str, channel: str) -> bool:
        fate = told.fates.get((part, channel))
        return fate is not None and fate.outcome.is_final

    if not all(final(identity, channel) for channel in told.channels):
        return False
    for each in told.escalations:
        part = escalation_part(identity, each.rung)
        if not all(final(part, channel) for channel in each.channels):
            return False
    if any(not fate.outcome.is_final for fate in told.fates.values()):
        return False
    if told.acknowledged_at is not None:
        part = acknowledged_part(identity)
        if not all(final(part, channel) for channel in told_to(told)):
            return False
    if told.sort is Sort.CONDITION:
        if told.resolved_at is None:
            return False
        part = resolved_part(identity)
        return all(final(part, channel) for channel in told_to(told))
    return True


def told_to(told: Told) -> list[str]:
    """Channels that the alert itself, or an escalation of it, was delivered to."""
    identity = told.alert.identity
    parts = [identity, *(escalation_part(identity, each.rung) for each in told.escalations)]
    return [
        channel
        for channel in told.everyone
        if any(
            (fate := told.fates.get((part, channel))) is not None
            and fate.outcome is Outcome.DELIVERED
            for part in parts
        )
    ]


def escalation_part(identity: str, rung: int) -> str:
    """Key of the part that tells of an escalation."""
    return f"{identity}.escalated-{rung}"


def resolved_part(identity: str) -> str:
    """Key of the part that tells that an alert is resolved."""
    return f"{identity}.resolved"


def acknowledged_part(identity: str) -> str:
    """Key of the part that tells who has an alert in hand."""
    return f"{identity}.acknowledged"


def reminder_part(identity: str, count: int) -> str:
    """Key of the part that reminds of an alert for the n-th time."""
    return f"{identity}.reminder-{count}"


def _raised(draft: Draft, record: Record) -> None:
    body = record.body
    identity = str(body["identity"])
    if identity in draft.told:
        return
    series = _series(body["series"])
    alert = Alert(
        identity=identity,
        kind=_kind(body["kind"]),
        severity=Severity(body["severity"]),
        target=str(body["target"]),
        subject=record.subject,
        what=str(body["what"]),
        advice=str(body["advice"]),
        due=from_text(body["due"]),
        concerns=from_text(body["concerns"]),
        over_at=_instant(body["over_at"], math.inf),
        facts=body["facts"],
        late=bool(body["late"]),
    )
    draft.put(
        Told(
            alert=alert,
            sort=Sort(body["sort"]),
            series=series,
            begins=_instant(body["begins"], -math.inf),
            ends=_instant(body["ends"], math.inf),
            lead_s=float(body["lead_s"]),
            rests_on=str(body["rests_on"]),
            channels=_names(body["channels"]),
            raised_at=record.at,
            number=record.number,
        )
    )
    draft.by_series[series] = (*draft.by_series.get(series, ()), identity)


def _resolved(draft: Draft, record: Record) -> None:
    told = draft.told.get(str(record.body["identity"]))
    if told is not None and told.resolved_at is None:
        why = str(record.body.get("why", ""))
        draft.put(replace(told, resolved_at=record.at, resolved_why=why))


def _acknowledged(draft: Draft, record: Record) -> None:
    told = draft.told.get(str(record.body["identity"]))
    if told is not None and told.acknowledged_at is None:
        draft.put(replace(told, acknowledged_at=record.at, acknowledged_by=record.author))


def _expired(draft: Draft, record: Record) -> None:
    draft.change(str(record.body["identity"]), expired_at=record.at)


def _escalated(draft: Draft, record: Record) -> None:
    body = record.body
    told = draft.told.get(str(body["identity"]))
    rung = int(body["rung"])
    if told is None or any(each.rung == rung for each in told.escalations):
        return
    new = Escalation(rung, record.at, str(body["role"]), _names(body["channels"]))
    draft.put(replace(told, escalations=(*told.escalations, new)))


def _silenced(draft: Draft, record: Record) -> None:
    identity = str(record.body["identity"])
    told = draft.told.get(identity)
    if told is not None:
        fate = Fate(Outcome.SILENCED, identity, record.at)
        made = {(identity, channel): fate for channel in _names(record.body["channels"])}
        draft.put(replace(told, fates={**made, **told.fates}))


def _missed(draft: Draft, record: Record) -> None:
    body = record.body
    series = _series(body["series"])
    missed = Missed(
        series=series,
        begins=_instant(body["begins"], -math.inf),
        ends=_instant(body["ends"], math.inf),
        over_at=_instant(body["over_at"], math.inf),
        number=record.number,
    )
    draft.missed[series] = (*draft.missed.get(series, ()), missed)


def _message(outcome: Outcome) -> Callable[[Draft, Record], None]:
    def teach(draft: Draft, record: Record) -> None:
        body = record.body
        message, channel = str(body["message"]), str(body["channel"])
        alerts = _names(body["alerts"])
        parts = _names(body["parts"])
        if len(parts) != len(alerts):
            raise ValueError("a part for each alert is expected")
        fate = Fate(outcome, message, record.at)
        for part, identity in zip(parts, alerts, strict=True):
            told = draft.told.get(identity)
            before = None if told is None else told.fates.get((part, channel))
            # Delivered is final: sending at least once may report otherwise afterwards.
            if told is not None and (before is None or before.outcome is not Outcome.DELIVERED):
                draft.put(replace(told, fates={**told.fates, (part, channel): fate}))
        if outcome is Outcome.SENT:
            return
        draft.dead_letters = [
            each
            for each in draft.dead_letters
            if (each.message, each.channel) != (message, channel)
        ]
        if outcome is Outcome.FAILED:
            draft.dead_letters.append(
                DeadLetter(
                    message=message,
                    channel=channel,
                    parts=parts,
                    alerts=alerts,
                    attempts=int(body["attempts"]),
                    reason=str(body["reason"]),
                    at=record.at,
                    number=record.number,
                )
            )
            del draft.dead_letters[:-MOST_DEAD_LETTERS]

    return teach


def _retried(draft: Draft, record: Record) -> None:
    wanted = (str(record.body["message"]), str(record.body["channel"]))
    for letter in draft.dead_letters:
        if (letter.message, letter.channel) != wanted:
            continue
        fate = Fate(Outcome.RETRIED, letter.message, record.at)
        for part, identity in zip(letter.parts, letter.alerts, strict=True):
            told = draft.told.get(identity)
            if told is not None:
                draft.put(replace(told, fates={**told.fates, (part, letter.channel): fate}))
    draft.dead_letters = [
        each for each in draft.dead_letters if (each.message, each.channel) != wanted
    ]


def _silence_set(draft: Draft, record: Record) -> None:
    body = record.body
    identity = str(body["silence"])
    if identity in draft.silences or len(draft.silences) >= MOST_SILENCES:
        return
    targets, names = body.get("targets"), body.get("kinds")
    draft.silences[identity] = Silence(
        identity=identity,
        begins=from_text(body["from"]),
        ends=from_text(body["until"]),
        why=str(body["why"]),
        author=record.author,
        targets=None if targets is None else frozenset(_names(targets)),
        kinds=None if names is None else frozenset(map(_kind, _names(names))),
        warnings=bool(body.get("warnings", False)),
        number=record.number,
    )


def _silence_lifted(draft: Draft, record: Record) -> None:
    identity = str(record.body["silence"])
    silence = draft.silences.get(identity)
    if silence is not None and silence.lifted_at is None:
        draft.silences[identity] = replace(silence, lifted_at=record.at)


TEACH: Mapping[str, Callable[[Draft, Record], None]] = {
    kinds.ALERT_RAISED: _raised,
    kinds.ALERT_RESOLVED: _resolved,
    kinds.ALERT_ACKNOWLEDGED: _acknowledged,
    kinds.ALERT_EXPIRED: _expired,
    kinds.ALERT_ESCALATED: _escalated,
    kinds.ALERT_SILENCED: _silenced,
    kinds.ALERT_MISSED: _missed,
    kinds.ALERT_SENT: _message(Outcome.SENT),
    kinds.ALERT_DELIVERED: _message(Outcome.DELIVERED),
    kinds.ALERT_FAILED: _message(Outcome.FAILED),
    kinds.ALERT_RETRIED: _retried,
    kinds.SILENCE_SET: _silence_set,
    kinds.SILENCE_LIFTED: _silence_lifted,
}


def _kind(name: Any) -> str:
    """A kind of alert, by the name that it has today."""
    return FORMER_KINDS.get(str(name), str(name))


def _series(text: Any) -> str:
    """What makes an alert the same fact again; it begins with its kind."""
    kind, bar, rest = str(text).partition("|")
    return f"{_kind(kind)}{bar}{rest}"


def _names(values: Any) -> tuple[str, ...]:
    if isinstance(values, str):
        raise TypeError("a list of names is expected")
    return tuple(str(value) for value in values)


def _instant(text: Any, otherwise: float) -> float:
    return otherwise if text is None else from_text(str(text))
