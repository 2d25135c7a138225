"""Archiving old records, but for those on which the present state rests."""

from __future__ import annotations

from collections.abc import Iterator

from contactd.alerts.fold import AlertState, fold_alerts
from contactd.alerts.fold import rests_on as alerts_rest_on
from contactd.core.record import Record
from contactd.records import Ledger
from contactd.records.archive import Archived, archive_until
from contactd.records.state import rests_on


def archive(ledger: Ledger, before: float, now: float) -> Archived:
    """Archive what was recorded before an instant (s), at least seven days before ``now``.

    Raises:
        LedgerError: if it cannot be done; then nothing is changed.
        ValueError: if ``before`` is too young.
    """
    alerts = fold_alerts(AlertState(), _all(ledger))
    needed = rests_on(_all(ledger)) | alerts_rest_on(alerts, _all(ledger))

    def is_needed(record: Record) -> bool:
        return record.number in needed

    return archive_until(ledger, before, now, is_needed)


def _all(ledger: Ledger) -> Iterator[Record]:
    """What is in the table, a part at a time."""
    after = 0
    while some := ledger.since(after):
        yield from some
        after = some[-1].number
