"""The ledger as commands use it: read where there is one, written when something is recorded."""

from __future__ import annotations

import getpass
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from contactd.core.errors import LedgerError
from contactd.faces.cli.session import current

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.sequences.knowledge import SequenceKnowledge
    from contactd.core.target import Target
    from contactd.records.ledger import Ledger
    from contactd.records.state import State

_FILE = "sqlite:///"


def open_ledger(configuration: Configuration, create: bool = False) -> Ledger | None:
    """The configuration's ledger; None if it is a file that does not exist yet.

    Raises:
        LedgerError: if it is there and cannot be used.
    """
    url = configuration.store_url
    if not create and url.startswith(_FILE) and not Path(url.removeprefix(_FILE)).exists():
        return None
    from contactd.records.ledger import Ledger

    return Ledger.open(url, create=create)


def state_of(configuration: Configuration, known_at: float | None = None) -> State:
    """What the ledger says, or what it said at an instant (s); nothing where there is none.

    Raises:
        LedgerError: if it is there and cannot be read.
    """
    from contactd.records.state import State, as_known_at, fold

    read = current().read
    key = configuration.store_url, known_at
    if key in read:
        known: State = read[key]
        return known
    ledger = open_ledger(configuration)
    if ledger is None:
        return State()
    with ledger:
        records = ledger.records()
        found = fold(State(), records) if known_at is None else as_known_at(records, known_at)
    read[key] = found
    return found


def with_station_statuses(
    configuration: Configuration, known_at: float | None = None
) -> Configuration:
    """The configuration with what the ledger states of its stations.

    Args:
        known_at: only what was recorded by then (instant, s); None for all.
    """
    from contactd.core.ground.status import with_statuses
    from contactd.core.record import STATION_STATUS

    stated = _known_of(configuration, STATION_STATUS, known_at).station_status
    if not stated:
        return configuration
    return replace(configuration, stations=with_statuses(configuration.stations, stated))


def with_adopted_corrections(
    configuration: Configuration, known_at: float | None = None
) -> Configuration:
    """The configuration with targets as adopted corrections move them.

    Args:
        known_at: only what was recorded by then (instant, s); None for all.
    """
    from contactd.core.record import MOTION_CORRECTED

    corrections = _known_of(configuration, MOTION_CORRECTED, known_at).corrections
    if not corrections:
        return configuration
    from contactd.core.learning.applied import with_corrections

    return replace(configuration, targets=with_corrections(configuration.targets, corrections))


def _known_of(configuration: Configuration, kind: str, known_at: float | None) -> State:
    """What the records of one kind say; nothing, and a complaint, where they cannot be read."""
    from contactd.faces.cli.output import complain
    from contactd.records.state import State, fold

    try:
        ledger = open_ledger(configuration)
        if ledger is None:
            return State()
        with ledger:
            records = ledger.of_kind(kind)
    except LedgerError as error:
        complain(str(error))
        return State()
    return fold(State(), [each for each in records if known_at is None or each.at <= known_at])


def knowledge_of(state: State, target: Target) -> dict[str, SequenceKnowledge]:
    """What the ledger knows of a target's sequences, by sequence."""
    return {
        sequence.name: state.sequences[target.name, sequence.name]
        for sequence in target.sequences
        if (target.name, sequence.name) in state.sequences
    }


def author(given: str | None) -> str:
    """Whose record it is: as given, else the user who is logged in.

    Raises:
        LedgerError: if neither is known.
    """
    if given and given.strip():
        return given.strip()
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        raise LedgerError("No name. Add --by NAME.") from None
