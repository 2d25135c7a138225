"""The fold of the ledger's alert records: the alerts that were raised and are still remembered.

Bodies of the records (times are RFC 3339 UTC text with microseconds, null where there is none):

- ``alert-raised``: ``identity, kind, sort, severity, target, what, do, notice, due, moment,
  over_at, facts, late, channels`` and, to know the fact again, ``series, begins, ends, lead_s,
  rests_on, span, decide_by``. Before version 0.2 ``advice`` stood for ``do`` and ``concerns`` for
  ``moment``.
- ``alert-changed``: what is the case now, in the same keys, and ``news`` (``worse``, ``nearer``,
  ``better`` or ``none``), ``changed`` (in words) and ``told`` (the channels that are to hear it).
- ``alert-sent``, ``alert-delivered``, ``alert-failed``: ``message, channel, about``, ``parts``
  (a key for each alert in it) and ``alerts`` (their identities, in the same order); delivered and
  failed also ``attempts, sent_at``, failed also ``reason``.
- ``alert-retried``: ``message, channel``: a message that was given up is to be tried again.
- ``alert-escalated``: ``identity, rung, role, channels``.
- ``alert-silenced``: ``identity, channels, why``: held back until it was over.
- ``alert-expired``: ``identity``: it was over and nobody had acknowledged it.
- ``alert-resolved``: ``identity, why`` (``ended``, ``over``, ``retired`` or ``superseded``),
  ``what, do``, and ``by``, the identity of the alert in its place.
- ``alert-acknowledged``: ``identity`` and, if given, ``remark``.
- ``alert-missed``: ``kind, target, what, due, moment, over_at, series, begins, ends, lead_s``.
- ``silence-set``: ``silence, from, until, why, targets, kinds, warnings``.
- ``silence-lifted``: ``silence``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from contactd.alerts.candidate import Sort
from contactd.alerts.living import News
from contactd.alerts.parts import is_settled
from contactd.alerts.series import NO_END, present_series
from contactd.alerts.tracked import (
    SERVICE,
    AlertState,
    Escalation,
    Fate,
    Missed,
    Outcome,
    Telling,
    TrackedAlert,
    Unreadable,
)
from contactd.core import record as kinds
from contactd.core.alert import FORMER_KINDS, Alert, DeadLetter, Severity, Silence
from contactd.core.instants import from_text
from contactd.core.record import Record
from contactd.mission.texts.changed import superseded

__all__ = [
    "AlertState",
    "fold_alerts",
    "learn_alert",
    "rests_on",
]

KEPT_S = 6 * 3600.0
"""How long after it is finished an alert is remembered: longer than replanning can move it."""
KEPT_LEAST = 1_000
"""So many finished alerts are remembered in any case, whatever a wrong clock said."""
MOST_DEAD_LETTERS = 200
MOST_SILENCES = 1_000
MOST_UNREADABLE = 100


class StateInMaking:
    """A state that is being made; the maps are copies of its own."""

    def __init__(self, state: AlertState) -> None:
        self.number = state.number
        self.latest_at = state.latest_at
        self.tracked = dict(state.tracked)
        self.by_series = dict(state.by_series)
        self.unsettled = set(state.unsettled)
        self.waiting = set(state.waiting)
        self.missed = dict(state.missed)
        self.silences = dict(state.silences)
        self.dead_letters = list(state.dead_letters)
        self.looked_at = state.looked_at
        self.catching_up = state.catching_up
        self.unreadable = state.unreadable

    def found_unreadable(self, record: Record, error: Exception) -> None:
        """Keep why a record could not be read; only the newest of such are kept."""
        reason = f"{type(error).__name__}: {error}"
        new = Unreadable(record.number, record.kind, reason)
        self.unreadable = (*self.unreadable, new)[-MOST_UNREADABLE:]

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

    def put(self, tracked: TrackedAlert) -> None:
        """Keep a new or changed alert."""
        identity = tracked.alert.identity
        self.tracked[identity] = tracked
        (self.unsettled.discard if is_settled(tracked) else self.unsettled.add)(identity)
        open_for_ever = tracked.acknowledged_at is None and tracked.resolved_at is None
        done = not open_for_ever or tracked.expired_at is not None
        (self.waiting.discard if done else self.waiting.add)(identity)

    def change(self, identity: str, **changes: Any) -> None:
        """Change an alert, if it is remembered."""
        tracked = self.tracked.get(identity)
        if tracked is not None:
            self.put(replace(tracked, **changes))

    def finish(self) -> AlertState:
        """The state that was made, without what need not be remembered."""
        self._forget()
        return AlertState(
            number=self.number,
            latest_at=self.latest_at,
            tracked=self.tracked,
            by_series=self.by_series,
            unsettled=frozenset(self.unsettled),
            waiting=frozenset(self.waiting),
            missed=self.missed,
            silences=self.silences,
            dead_letters=tuple(self.dead_letters),
            looked_at=self.looked_at,
            catching_up=self.catching_up,
            unreadable=self.unreadable,
        )

    def _forget(self) -> None:
        """Let go of what has long been finished: nothing can raise it again."""
        before = self.latest_at - KEPT_S
        dead = {identity for letter in self.dead_letters for identity in letter.alerts}
        finished = [each for each in self.tracked.values() if each.finished_at < before]
        for each in _all_but_the_newest(finished):
            identity = each.alert.identity
            if identity in dead:
                continue
            del self.tracked[identity]
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


def _raised(making: StateInMaking, record: Record) -> None:
    body = record.body
    identity = str(body["identity"])
    if identity in making.tracked:
        return
    series = present_series(_series(body["series"]))
    making.put(
        TrackedAlert(
            alert=_alert(record, str(body["target"]), bool(body["late"])),
            sort=Sort(body["sort"]),
            series=series,
            begins=_instant(body["begins"], -math.inf),
            ends=_instant(body["ends"], math.inf),
            lead_s=float(body["lead_s"]),
            rests_on=str(body["rests_on"]),
            channels=_names(body["channels"]),
            raised_at=record.at,
            number=record.number,
            span=_span(body.get("span")),
            waits_since=record.at,
        )
    )
    making.by_series[series] = (*making.by_series.get(series, ()), identity)


def _alert(record: Record, target: str, late: bool) -> Alert:
    """The alert as a record has it."""
    body = record.body
    decide_by = body.get("decide_by")
    return Alert(
        identity=str(body["identity"]),
        kind=_kind(body["kind"]),
        severity=Severity(body["severity"]),
        target=target,
        subject=record.subject,
        what=str(body["what"]),
        do=str(body["do"] if "do" in body else body["advice"]),
        due=from_text(body["due"]),
        moment=from_text(body["moment"] if "moment" in body else body["concerns"]),
        over_at=_instant(body["over_at"], math.inf),
        facts=body["facts"],
        late=late,
        notice=str(body.get("notice", "")),
        decide_by=math.inf if decide_by == NO_END else _instant_or_none(decide_by),
        changed=str(body.get("changed", "")),
    )


def _changed(making: StateInMaking, record: Record) -> None:
    body = record.body
    tracked = making.tracked.get(str(body["identity"]))
    if tracked is None or tracked.resolved_at is not None:
        return
    news = News(body["news"])
    alert = _alert(record, tracked.alert.target, tracked.alert.late)
    alert = replace(alert, due=tracked.alert.due, changed=alert.changed or tracked.alert.changed)
    made = replace(
        tracked,
        alert=alert,
        begins=_instant(body["begins"], -math.inf),
        ends=_instant(body["ends"], math.inf),
        lead_s=_lead_s(body["lead_s"]),
        span=_span(body.get("span")),
    )
    told = _names(body["told"])
    if told:
        severity = Severity.ADVISORY if news is News.BETTER else alert.severity
        count = 1 if tracked.told is None else tracked.told.count + 1
        telling = Telling(count, record.at, severity, str(body["changed"]), told)
        made = replace(made, told=telling)
    if bool(body["again"]):
        made = replace(
            made,
            acknowledged_at=None,
            acknowledged_by="",
            expired_at=None,
            waits_since=record.at,
            again=made.again + 1,
        )
    making.put(made)


def _resolved(making: StateInMaking, record: Record) -> None:
    body = record.body
    tracked = making.tracked.get(str(body["identity"]))
    if tracked is None or tracked.resolved_at is not None:
        return
    why, by = str(body.get("why", "")), str(body.get("by", ""))
    what = str(body.get("what", f"Resolved: {tracked.alert.what}"))
    do = str(body.get("do", ""))
    successor = making.tracked.get(by)
    if successor is not None:
        text = superseded(successor.number, successor.alert.what)
        what, do = text.what, text.do
    making.put(
        replace(
            tracked,
            resolved_at=record.at,
            resolved_why=why,
            resolved_what=what,
            resolved_do=do,
            superseded_by=by,
        )
    )


def _acknowledged(making: StateInMaking, record: Record) -> None:
    tracked = making.tracked.get(str(record.body["identity"]))
    if tracked is not None and tracked.acknowledged_at is None:
        making.put(replace(tracked, acknowledged_at=record.at, acknowledged_by=record.author))


def _expired(making: StateInMaking, record: Record) -> None:
    making.change(str(record.body["identity"]), expired_at=record.at)


def _escalated(making: StateInMaking, record: Record) -> None:
    body = record.body
    tracked = making.tracked.get(str(body["identity"]))
    rung = int(body["rung"])
    again = int(body.get("again", 0))
    if tracked is None:
        return
    if any((each.rung, each.again) == (rung, again) for each in tracked.escalations):
        return
    new = Escalation(rung, record.at, str(body["role"]), _names(body["channels"]), again)
    making.put(replace(tracked, escalations=(*tracked.escalations, new)))


def _silenced(making: StateInMaking, record: Record) -> None:
    identity = str(record.body["identity"])
    tracked = making.tracked.get(identity)
    if tracked is not None:
        fate = Fate(Outcome.SILENCED, identity, record.at)
        made = {(identity, channel): fate for channel in _names(record.body["channels"])}
        making.put(replace(tracked, fates={**made, **tracked.fates}))


def _missed(making: StateInMaking, record: Record) -> None:
    body = record.body
    series = present_series(_series(body["series"]))
    missed = Missed(
        series=series,
        begins=_instant(body["begins"], -math.inf),
        ends=_instant(body["ends"], math.inf),
        over_at=_instant(body["over_at"], math.inf),
        number=record.number,
    )
    making.missed[series] = (*making.missed.get(series, ()), missed)


def _message(outcome: Outcome) -> Callable[[StateInMaking, Record], None]:
    def learn(making: StateInMaking, record: Record) -> None:
        body = record.body
        notification, channel = str(body["message"]), str(body["channel"])
        alerts = _names(body["alerts"])
        parts = _names(body["parts"])
        if len(parts) != len(alerts):
            raise ValueError("a part for each alert is expected")
        fate = Fate(outcome, notification, record.at)
        for part, identity in zip(parts, alerts, strict=True):
            tracked = making.tracked.get(identity)
            before = None if tracked is None else tracked.fates.get((part, channel))
            # Delivered is final: sending at least once may report otherwise afterwards.
            if tracked is not None and (before is None or before.outcome is not Outcome.DELIVERED):
                making.put(replace(tracked, fates={**tracked.fates, (part, channel): fate}))
        if outcome is Outcome.SENT:
            return
        making.dead_letters = [
            each
            for each in making.dead_letters
            if (each.message, each.channel) != (notification, channel)
        ]
        if outcome is Outcome.FAILED:
            making.dead_letters.append(
                DeadLetter(
                    message=notification,
                    channel=channel,
                    parts=parts,
                    alerts=alerts,
                    attempts=int(body["attempts"]),
                    reason=str(body["reason"]),
                    at=record.at,
                    number=record.number,
                )
            )
            del making.dead_letters[:-MOST_DEAD_LETTERS]

    return learn


def _retried(making: StateInMaking, record: Record) -> None:
    wanted = (str(record.body["message"]), str(record.body["channel"]))
    for letter in making.dead_letters:
        if (letter.message, letter.channel) != wanted:
            continue
        fate = Fate(Outcome.RETRIED, letter.message, record.at)
        for part, identity in zip(letter.parts, letter.alerts, strict=True):
            tracked = making.tracked.get(identity)
            if tracked is not None:
                making.put(replace(tracked, fates={**tracked.fates, (part, letter.channel): fate}))
    making.dead_letters = [
        each for each in making.dead_letters if (each.message, each.channel) != wanted
    ]


def _silence_set(making: StateInMaking, record: Record) -> None:
    body = record.body
    identity = str(body["silence"])
    if identity in making.silences or len(making.silences) >= MOST_SILENCES:
        return
    targets, names = body.get("targets"), body.get("kinds")
    making.silences[identity] = Silence(
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


def _silence_lifted(making: StateInMaking, record: Record) -> None:
    identity = str(record.body["silence"])
    silence = making.silences.get(identity)
    if silence is not None and silence.lifted_at is None:
        making.silences[identity] = replace(silence, lifted_at=record.at)


_LEARN: Mapping[str, Callable[[StateInMaking, Record], None]] = {
    kinds.ALERT_RAISED: _raised,
    kinds.ALERT_CHANGED: _changed,
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


def _span(pair: Any) -> tuple[float, float] | None:
    return None if pair is None else (from_text(pair[0]), from_text(pair[1]))


def _lead_s(value: Any) -> float:
    return math.inf if value is None else float(value)


def _instant_or_none(text: Any) -> float | None:
    return None if text is None else from_text(str(text))


def _instant(text: Any, otherwise: float) -> float:
    return otherwise if text is None else from_text(str(text))


def learn_alert(state: AlertState, record: Record) -> AlertState:
    """The state after one more record; see :func:`fold_alerts` for many."""
    return fold_alerts(state, (record,))


def fold_alerts(state: AlertState, records: Iterable[Record]) -> AlertState:
    """The state after more records, in the ledger's order.

    A record that is already part of the state is passed over. One that cannot be read leaves the
    alerts as they were, and is kept in ``unreadable`` with the reason, for the caller to log.
    Records that are not stored yet (number 0) count without moving ``number``.
    """
    making = StateInMaking(state)
    for record in records:
        if record.number:
            if record.number <= making.number:
                continue
            making.number = record.number
        making.latest_at = max(making.latest_at, record.at)
        if record.author == SERVICE:
            making.look(record)
        learn = _LEARN.get(record.kind)
        if learn is not None:
            try:
                learn(making, record)
            except (KeyError, TypeError, ValueError) as error:
                making.found_unreadable(record, error)
    return making.finish()


def rests_on(state: AlertState, records: Iterable[Record]) -> frozenset[int]:
    """Numbers of the records on which a state rests that is the fold of them."""
    silences = {silence.identity for silence in state.silences.values()}
    dead = {letter.number for letter in state.dead_letters}
    missed = {each.number for some in state.missed.values() for each in some}

    def counts(record: Record) -> bool:
        if record.number in dead or record.number in missed:
            return True
        body = record.body
        if body.get("silence") in silences or body.get("identity") in state.tracked:
            return True
        alerts = body.get("alerts")
        return isinstance(alerts, list) and any(each in state.tracked for each in alerts)

    return frozenset(
        record.number for record in records if record.kind in kinds.OF_ALERTS and counts(record)
    )
