"""What a command starts from: the configuration, and what the ledger knows beyond it."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from contactd.faces.cli.names import resolve
from contactd.faces.cli.output import WRONG, complain, correct, refuse, tell
from contactd.faces.cli.session import current

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.sequences.model import Sequence
    from contactd.core.target import Target

Thing = TypeVar("Thing")


def state_directory() -> Path | None:
    """Where the service keeps its state if its manager says so (systemd's STATE_DIRECTORY)."""
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]
    return Path(given) if given else None


def configuration_folder(config_dir: str) -> Path:
    """The folder of the configuration.

    Raises:
        click.UsageError: if there is no such folder.
    """
    folder = Path(config_dir)
    if not folder.is_dir():
        what = "a file" if folder.exists() else "no such folder"
        refuse(
            f"--config {config_dir} is {what}. Name the folder of a configuration; "
            "`contactd demo DIR` writes one to start from."
        )
    return folder


def read_configuration(config_dir: str, at: float | None = None) -> Configuration:
    """What is right in a configuration's folder; what is wrong is told, and counts.

    An answer from the rest is worth more than none, but not when the settings themselves are
    wrong: then the ledger might be looked for in the wrong place.

    Args:
        at: instant (s); if it is past, elements are those that were known then.

    Raises:
        click.UsageError: if there is no such folder.
        click.exceptions.Exit: if the settings are wrong, or too little is right.
    """
    folder = configuration_folder(config_dir)
    from contactd.config.loader import examine

    examined = examine(folder, state_directory(), current().now)
    configuration, errors = examined.configuration, examined.errors
    for error in errors:
        complain(str(error))
    if errors:
        if not examined.settings_known or not configuration.stations or not configuration.targets:
            tell(correct(len(errors)))
            raise click.exceptions.Exit(WRONG)
        tell(f"note: this answer leaves out what is invalid there. {correct(len(errors))}")
    from contactd.faces.cli.motion import with_fetched_elements
    from contactd.faces.cli.store import with_adopted_corrections, with_station_statuses

    known_at = at if at and at < current().now else None
    known = with_station_statuses(with_fetched_elements(configuration, known_at), known_at)
    return with_adopted_corrections(known, known_at)


def chosen(kind: str, given: Iterable[str], known: Mapping[str, Thing]) -> list[Thing]:
    """What was named on the command line, in that order, each once; all there is if nothing was.

    Raises:
        click.UsageError: for a name that is not known; it says the nearest.
    """
    names: dict[str, None] = {}
    for name in given:
        try:
            names[resolve(kind, name, list(known))] = None
        except ValueError as problem:
            refuse(str(problem))
    return [known[name] for name in names] if names else list(known.values())


def one(kind: str, given: str, known: Mapping[str, Thing]) -> Thing:
    """The one thing that was named.

    Raises:
        click.UsageError: for a name that is not known; it says the nearest.
    """
    return chosen(kind, [given], known)[0]


def sequence_of(target: Target, given: str) -> Sequence:
    """The target's sequence of that name.

    Raises:
        click.UsageError: for a name that is not known; it says the nearest.
    """
    if not target.sequences:
        refuse(f"No sequence {given!r}: {target.name} has no sequences. Name another target.")
    return one("sequence", given, {each.name: each for each in target.sequences})
