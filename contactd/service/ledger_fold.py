"""What the ledger knows, folded, and on top of it what is held because it is not yet written."""

from __future__ import annotations

from collections.abc import Sequence

import structlog

from contactd.alerts.fold import AlertState, fold_alerts
from contactd.core.record import Record
from contactd.records import State, fold

log = structlog.get_logger("contactd")

Folds = tuple[State, AlertState]


class LedgerFold:
    """The folds of the records that were read so far.

    Attributes:
        stored: of what is in the ledger, and of nothing else.
    """

    def __init__(self) -> None:
        self.stored: Folds = (State(), AlertState())
        self._held: tuple[Folds, int, Folds] | None = None

    def learn(self, news: Sequence[Record]) -> None:
        """Fold what is new in the ledger."""
        if not news:
            return
        state, alerts = self.stored
        self.stored = fold(state, news), fold_alerts(alerts, news)
        for each in self.stored[1].unreadable:
            if each not in alerts.unreadable:
                log.warning("alert record unreadable", record=each.number, reason=each.reason)

    def with_held(self, held: Sequence[Record]) -> Folds:
        """The folds with records on top that are not in the ledger yet, oldest first.

        To be asked again and again with the same records and others after them: only those are
        folded anew.
        """
        if not held:
            self._held = None
            return self.stored
        before = self._held
        if before is None or before[0] is not self.stored or before[1] > len(held):
            before = (self.stored, 0, self.stored)
        base, count, (knowledge, alerts) = before
        new = held[count:]
        if new:
            knowledge, alerts = fold(knowledge, new), fold_alerts(alerts, new)
        self._held = (base, len(held), (knowledge, alerts))
        return knowledge, alerts
