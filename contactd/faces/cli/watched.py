"""The configuration as it is watched: what runs counts as it was last known, as in the service."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contactd.faces.cli.output import complain
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import read_configuration, state_directory

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.config.watching import Watched
    from contactd.records.state import State


def read_watched(config_dir: str, at: float | None = None) -> Configuration:
    """As :func:`read_configuration`, with what the ledger knows to run in spite of the files.

    Args:
        at: instant (s); if it is past, the files alone count.
    """
    configuration = read_configuration(config_dir, at)
    if at is not None and at < current().now:
        return configuration
    from contactd.core.errors import ContactdError
    from contactd.faces.cli.store import state_of

    try:
        found = watched_by(configuration, state_of(configuration))
    except ContactdError as error:
        complain(str(error))
        return configuration
    if found is None:
        return configuration
    for each in found.watch_list.contradictions:
        complain(f"note: {each.subject}: {each.text}. Watched as last known.")
    for one in found.watch_list.unwatched:
        complain(f"note: {one.text}")
    return found.configuration


def watched_by(configuration: Configuration, state: State) -> Watched | None:
    """What is watched by files and ledger; None where the ledger holds no definitions."""
    definitions = state.definitions
    if not definitions.adopted and not definitions.aboard:
        return None
    from contactd.config.loader import kept_folder
    from contactd.config.watching import Watching

    watching = Watching(kept_folder(configuration.directory, state_directory()))
    return watching.watched(configuration, state.sequences, definitions, current().now)
