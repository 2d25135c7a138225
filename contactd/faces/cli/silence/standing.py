"""The silences that the ledger knows."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.alert import Silence


def standing(configuration: Configuration, now: float) -> list[Silence]:
    """Silences that are in force at an instant (s) or still to come, oldest first."""
    from contactd.alerts.fold import AlertState, fold_alerts
    from contactd.faces.cli.store import open_ledger

    ledger = open_ledger(configuration)
    if ledger is None:
        return []
    with ledger:
        state = fold_alerts(AlertState(), ledger.records())
    return [silence for silence in state.silences.values() if silence.until > now]
