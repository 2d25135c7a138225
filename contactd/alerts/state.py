"""The fold of the ledger's alert records: what has been told and is still remembered.

Bodies of the records (times are RFC 3339 UTC text with microseconds, null where there is none):

- ``alert-raised``: ``identity, kind, sort, severity, target, what, advice, due, concerns, over_at,
  facts, late, channels`` and, to know the fact again, ``series, begins, ends, lead_s, rests_on``.
- ``alert-sent``, ``alert-delivered``, ``alert-failed``: ``message, channel, about``, ``parts``
  (a key for each alert in it) and ``alerts`` (their identities, in the same order); delivered and
  failed also ``attempts, sent_at``, failed also ``reason``.
- ``alert-retried``: ``message, channel``: a message that was given up is to be tried again.
- ``alert-escalated``: ``identity, rung, role, channels``.
- ``alert-silenced``: ``identity, channels, why``: held back until its matter was over.
- ``alert-expired``: ``identity``: its matter was over and nobody had acknowledged it.
- ``alert-resolved``: ``identity, why`` (``ended`` or ``over``).
- ``alert-acknowledged``: ``identity`` and, if given, ``remark``.
- ``alert-missed``: ``kind, target, what, due, concerns, over_at, series, begins, ends, lead_s``.
- ``silence-set``: ``silence, from, until, why, targets, kinds, warnings``.
- ``silence-lifted``: ``silence``.
"""

from __future__ import annotations

from collections.abc import Iterable

from contactd.alerts.fold import TEACH, Draft
from contactd.alerts.tracked import SERVICE, AlertState
from contactd.core import record as kinds
from contactd.core.record import Record

__all__ = ["AlertState", "fold_alerts", "learn_alert", "rests_on"]


def learn_alert(state: AlertState, record: Record) -> AlertState:
    """The state after one more record; see :func:`fold_alerts` for many."""
    return fold_alerts(state, (record,))


def fold_alerts(state: AlertState, records: Iterable[Record]) -> AlertState:
    """The state after more records, in the ledger's order.

    A record that is already part of the state is passed over, and one that cannot be read changes
    nothing. Records that are not stored yet (number 0) count without moving ``number``.
    """
    draft = Draft(state)
    for record in records:
        if record.number:
            if record.number <= draft.number:
                continue
            draft.number = record.number
        draft.latest_at = max(draft.latest_at, record.at)
        if record.author == SERVICE:
            draft.look(record)
        teach = TEACH.get(record.kind)
        if teach is not None:
            try:
                teach(draft, record)
            except (KeyError, TypeError, ValueError):
                continue
    return draft.finish()


def rests_on(state: AlertState, records: Iterable[Record]) -> frozenset[int]:
    """Numbers of the records on which a state rests that is the fold of them."""
    silences = {silence.identity for silence in state.silences.values()}
    dead = {letter.number for letter in state.dead_letters}
    missed = {each.number for some in state.missed.values() for each in some}

    def counts(record: Record) -> bool:
        if record.number in dead or record.number in missed:
            return True
        body = record.body
        if body.get("silence") in silences or body.get("identity") in state.told:
            return True
        alerts = body.get("alerts")
        return isinstance(alerts, list) and any(each in state.told for each in alerts)

    return frozenset(
        record.number for record in records if record.kind in kinds.OF_ALERTS and counts(record)
    )
