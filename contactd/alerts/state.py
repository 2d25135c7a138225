"""What has been told: the fold of the ledger's alert records.

Bodies of the records (times are RFC 3339 UTC text with microseconds, null where there is none):

- ``alert-raised``: ``identity, kind, sort, severity, target, what, advice, due, concerns, over_at,
  facts, late, channels`` and, to know the fact again, ``series, begins, ends, lead_s, rests_on``.
- ``alert-sent``, ``alert-delivered``, ``alert-failed``: ``message, channel, alerts`` (identities);
  delivered and failed also ``attempts``, failed also ``reason``.
- ``alert-resolved``: ``identity, why`` (``ended`` or ``over``).
- ``alert-acknowledged``: ``identity`` and, if given, ``note``.
- ``alert-missed``: ``kind, target, what, due, concerns, over_at, series, begins, ends, lead_s``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

from contactd.alerts.matter import Matter, Sort
from contactd.core import record as kinds
from contactd.core.alert import Alert, Severity
from contactd.core.instants import from_text, to_text
from contactd.core.record import Record

KEPT_S = 2 * 86_400.0
"""How long after it is finished an alert is remembered; twice the time that is caught up on."""
KEPT_LEAST = 1_000
"""So many finished alerts are remembered in any case, whatever a wrong clock said."""


class Outcome(StrEnum):
    """How far a message to a channel has come."""

    SENT = "sent"
    DELIVERED = "delivered"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Told:
    """An alert that has been raised, and its life since.

    Attributes:
        channels: names of the channels that it goes to.
        raised_at, resolved_at, acknowledged_at: instants (s), or None.
        outcomes: how far each message about it has come, by (message, channel).
    """

    alert: Alert
    sort: Sort
    series: str
    begins: float
    ends: float
    lead_s: float
    rests_on: str
    channels: tuple[str, ...]
    raised_at: float
    number: int = 0
    resolved_at: float | None = None
    resolved_why: str = ""
    acknowledged_at: float | None = None
    acknowledged_by: str = ""
    outcomes: Mapping[tuple[str, str], Outcome] = field(default_factory=dict)

    @property
    def finished_at(self) -> float:
        """When its matter was over (instant, s); infinite while it is not known."""
        if self.resolved_at is not None:
            return self.resolved_at
        return math.inf if self.sort is Sort.CONDITION else self.alert.over_at

    def is_open(self, now: float) -> bool:
        """Whether it still wants somebody's attention."""
        return self.acknowledged_at is None and now < self.finished_at

    def tells(self, matter: Matter) -> bool:
        """Whether a matter of the same series is the fact that this alert told.

        A condition that has grown more severe since is another one, and so is one that comes back
        after it was resolved.
        """
        if self.sort is Sort.CONDITION:
            order = list(Severity)
            if self.resolved_at is not None:
                return False
            if order.index(matter.severity) > order.index(self.alert.severity):
                return False
        return self.lead_s <= matter.lead_s and matter.meets(self.begins, self.ends)


@dataclass(frozen=True, slots=True)
class Missed:
    """A fact that could not be told in time; kept so that it is not counted twice."""

    series: str
    begins: float
    ends: float
    over_at: float
    number: int = 0


@dataclass(frozen=True, slots=True)
class AlertState:
    """All that has been told and is still remembered.

    Attributes:
        number: of the last record that is part of it.
        latest_at: the latest instant (s) at which any record was made.
        told: by identity, oldest first.
        by_series: identities of each series, oldest first.
        missed: facts recorded as missed, by series.
        looked_at: the latest instant (s) at which the service is known to have been running.
    """

    number: int = 0
    latest_at: float = -math.inf
    told: Mapping[str, Told] = field(default_factory=dict)
    by_series: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    missed: Mapping[str, tuple[Missed, ...]] = field(default_factory=dict)
    looked_at: float | None = None

    def of_series(self, series: str) -> Iterable[Told]:
        """What has been told of a series."""
        return (self.told[identity] for identity in self.by_series.get(series, ()))

    def open_alerts(self, now: float) -> tuple[Alert, ...]:
        """Alerts that want attention, most severe first, then the nearest matter first."""
        rank = {Severity.WARNING: 0, Severity.CAUTION: 1, Severity.ADVISORY: 2}
        wanted = [told.alert for told in self.told.values() if told.is_open(now)]
        return tuple(sorted(wanted, key=lambda each: (rank[each.severity], each.concerns)))


def learn_alert(state: AlertState, record: Record) -> AlertState:
    """The state after one more record; see :func:`fold_alerts` for many."""
    return fold_alerts(state, (record,))


def fold_alerts(state: AlertState, records: Iterable[Record]) -> AlertState:
    """The state after more records, in the ledger's order.

    A record that is already part of the state is passed over, and one that cannot be read changes
    nothing. Records that are not stored yet (number 0) count without moving ``number``.
    """
    draft = _Draft(state)
    for record in records:
        if record.number:
            if record.number <= draft.number:
                continue
            draft.number = record.number
        draft.latest_at = max(draft.latest_at, record.at)
        if record.author == SERVICE:
            draft.looked_at = max(draft.looked_at or -math.inf, record.at)
        teach = _TEACH.get(record.kind)
        if teach is not None:
            try:
                teach(draft, record)
            except (KeyError, TypeError, ValueError):
                continue
    draft.forget()
    return AlertState(
        number=draft.number,
        latest_at=draft.latest_at,
        told=draft.told,
        by_series=draft.by_series,
        missed=draft.missed,
        looked_at=draft.looked_at,
    )


SERVICE = "contactd"
"""Author of what the service itself records."""


class _Draft:
    """A state that is being made; the maps are copies of its own."""

    def __init__(self, state: AlertState) -> None:
        self.number = state.number
        self.latest_at = state.latest_at
        self.told = dict(state.told)
        self.by_series = dict(state.by_series)
        self.missed = dict(state.missed)
        self.looked_at = state.looked_at

    def change(self, identity: str, **changes: Any) -> None:
        told = self.told.get(identity)
        if told is not None:
            self.told[identity] = replace(told, **changes)

    def forget(self) -> None:
        """Let go of what has long been finished: nothing can make it a matter again."""
        before = self.latest_at - KEPT_S
        finished = [each for each in self.told.values() if each.finished_at < before]
        if len(finished) > KEPT_LEAST:
            finished.sort(key=lambda each: each.number or math.inf)
            for each in finished[:-KEPT_LEAST]:
                identity = each.alert.identity
                del self.told[identity]
                left = tuple(one for one in self.by_series[each.series] if one != identity)
                if left:
                    self.by_series[each.series] = left
                else:
                    del self.by_series[each.series]
        gone = [each for some in self.missed.values() for each in some if each.over_at < before]
        if len(gone) > KEPT_LEAST:
            gone.sort(key=lambda each: each.number or math.inf)
            for missed in gone[:-KEPT_LEAST]:
                kept = tuple(one for one in self.missed[missed.series] if one is not missed)
                if kept:
                    self.missed[missed.series] = kept
                else:
                    del self.missed[missed.series]


def _raised(draft: _Draft, record: Record) -> None:
    body = record.body
    identity = str(body["identity"])
    if identity in draft.told:
        return
    series = str(body["series"])
    alert = Alert(
        identity=identity,
        kind=str(body["kind"]),
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
    draft.told[identity] = Told(
        alert=alert,
        sort=Sort(body["sort"]),
        series=series,
        begins=_instant(body["begins"], -math.inf),
        ends=_instant(body["ends"], math.inf),
        lead_s=float(body["lead_s"]),
        rests_on=str(body["rests_on"]),
        channels=tuple(str(name) for name in body["channels"]),
        raised_at=record.at,
        number=record.number,
    )
    draft.by_series[series] = (*draft.by_series.get(series, ()), identity)


def _resolved(draft: _Draft, record: Record) -> None:
    told = draft.told.get(str(record.body["identity"]))
    if told is not None and told.resolved_at is None:
        why = str(record.body.get("why", ""))
        draft.change(told.alert.identity, resolved_at=record.at, resolved_why=why)


def _acknowledged(draft: _Draft, record: Record) -> None:
    told = draft.told.get(str(record.body["identity"]))
    if told is not None and told.acknowledged_at is None:
        draft.change(told.alert.identity, acknowledged_at=record.at, acknowledged_by=record.author)


def _missed(draft: _Draft, record: Record) -> None:
    body = record.body
    series = str(body["series"])
    missed = Missed(
        series=series,
        begins=_instant(body["begins"], -math.inf),
        ends=_instant(body["ends"], math.inf),
        over_at=_instant(body["over_at"], math.inf),
        number=record.number,
    )
    draft.missed[series] = (*draft.missed.get(series, ()), missed)


def _message(outcome: Outcome) -> Callable[[_Draft, Record], None]:
    def teach(draft: _Draft, record: Record) -> None:
        key = (str(record.body["message"]), str(record.body["channel"]))
        for identity in record.body["alerts"]:
            told = draft.told.get(str(identity))
            # Delivered is final: at-least-once sending may report otherwise afterwards.
            if told is not None and told.outcomes.get(key) is not Outcome.DELIVERED:
                draft.change(str(identity), outcomes={**told.outcomes, key: outcome})

    return teach


_TEACH: Mapping[str, Callable[[_Draft, Record], None]] = {
    kinds.ALERT_RAISED: _raised,
    kinds.ALERT_RESOLVED: _resolved,
    kinds.ALERT_ACKNOWLEDGED: _acknowledged,
    kinds.ALERT_MISSED: _missed,
    kinds.ALERT_SENT: _message(Outcome.SENT),
    kinds.ALERT_DELIVERED: _message(Outcome.DELIVERED),
    kinds.ALERT_FAILED: _message(Outcome.FAILED),
}


def as_text(instant: float) -> str | None:
    """An instant as it stands in a record's body."""
    return to_text(instant, 6) if math.isfinite(instant) else None


def _instant(text: Any, otherwise: float) -> float:
    return otherwise if text is None else from_text(str(text))
