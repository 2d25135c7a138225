"""The silences that the ledger knows, and entering more."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from contactd.alerts.fold import AlertState
    from contactd.config.configuration import Configuration
    from contactd.core.alert import Silence
    from contactd.core.record import Record
    from contactd.faces.cli.record.entry import Manner
    from contactd.mission.actions import Action


def standing(configuration: Configuration, now: float) -> list[Silence]:
    """Silences that are in force at an instant (s) or still to come, oldest first."""
    state = _state(configuration)
    return [silence for silence in state.silences.values() if silence.until > now]


def enter(configuration: Configuration, action: Action, manner: Manner) -> Record:
    """Record what somebody does about alerts; in a dry run the record keeps the number 0.

    Raises:
        InputError: for what cannot be meant.
    """
    from dataclasses import replace

    from contactd.alerts.standing import standing as standing_at
    from contactd.faces.cli.record.entry import keep
    from contactd.faces.cli.session import current
    from contactd.faces.cli.store import author
    from contactd.mission.actions import record_of

    now = current().now
    stand = standing_at(_state(configuration), now)
    record = record_of(action, stand, author(manner.by), now)
    if manner.note.strip():
        record = replace(record, body={**record.body, "note": manner.note.strip()})
    return keep(configuration, [record], manner)[0]


def _state(configuration: Configuration) -> AlertState:
    from contactd.alerts.fold import AlertState, fold_alerts
    from contactd.faces.cli.store import open_ledger

    ledger = open_ledger(configuration)
    if ledger is None:
        return AlertState()
    with ledger:
        return fold_alerts(AlertState(), ledger.records())
