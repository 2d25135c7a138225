"""The ledger's file, for commands that copy it."""

from __future__ import annotations

from pathlib import Path

from contactd.faces.cli.output import refuse
from contactd.faces.cli.situation import read_configuration


def ledger_file(config_dir: str) -> Path:
    """The file of a configuration's ledger.

    Raises:
        click.UsageError: if the ledger is a database server's.
    """
    from contactd.records.database import file_of_url

    file = file_of_url(read_configuration(config_dir).store_url)
    if file is None:
        refuse("The ledger is on a database server. Use its own tools (pg_dump, pg_restore).")
    return file
