"""Writing an export: to standard output, or to a file that is replaced in one go."""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import click

from contactd.core.errors import InputError

output = click.option(
    "--output",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write into this file instead of standard output.",
)


def write(data: bytes, path: Path | None) -> None:
    """Write everything, or leave the file as it was: readers never see half of it.

    Raises:
        InputError: if the file cannot be written.
    """
    if path is None:
        sys.stdout.buffer.write(data)
        return
    try:
        # A replaced file keeps its rights; a new one gets those that are usual here.
        if path.exists():
            mode = path.stat().st_mode & 0o777
        else:
            mask = os.umask(0)
            os.umask(mask)
            mode = 0o666 & ~mask
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            Path(name).chmod(mode)
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError(
            "a file that can be written", error.strerror or "", "", str(path)
        ) from None
