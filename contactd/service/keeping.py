"""Copies of what the ledger does not hold: the last valid settings, and files too large for it.

Settings hold secrets, so that the copies are their owner's alone.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import structlog

from contactd.config import Configuration
from contactd.config.definitions import MOST_KEPT_BYTES, too_large
from contactd.config.files import Reader, Unreadable
from contactd.config.loader import SETTINGS_FILE
from contactd.config.yaml12 import MOST_BYTES

log = structlog.get_logger("contactd")


def keep(configuration: Configuration, folder: Path) -> None:
    """Keep copies of a configuration that is good; blocking.

    A copy that cannot be kept is told in the log: what is watched does not depend on it now.
    """
    settings = configuration.directory / SETTINGS_FILE
    state = configuration.files.get(settings)
    if state is not None and state.digest:
        _copy(settings, folder / SETTINGS_FILE, state.digest, MOST_BYTES)
    for made in configuration.made.values():
        for path, digest in too_large(made, configuration.directory).items():
            if not (folder / digest).exists():
                _copy(path, folder / digest, digest, MOST_KEPT_BYTES)


def _copy(source: Path, goal: Path, digest: str, most_bytes: int) -> None:
    try:
        if goal.exists() and hashlib.sha256(goal.read_bytes()).hexdigest() == digest:
            return
        data = Reader().read(source, most_bytes)
        if hashlib.sha256(data).hexdigest() != digest:
            return  # it is being edited: the next load keeps it
        goal.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        # Beside it and then in its place, so that a copy is whole whatever happens meanwhile.
        beside = goal.with_name(f".{goal.name}.{os.getpid()}")
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(goal)
    except (OSError, Unreadable) as error:
        log.warning("a copy of a file could not be kept", file=str(source), reason=str(error))
