"""``contactd ledger backup``: a copy of the ledger, made while the service runs."""

from __future__ import annotations

from pathlib import Path

import click

from contactd.faces.cli import options
from contactd.faces.cli.ledger.files import ledger_file


@click.command("backup")
@click.argument("destination", type=click.Path(path_type=Path))
@options.config
def command(destination: Path, config_dir: str) -> None:
    """Copy the ledger to DESTINATION (a new file, or a folder) and verify the copy.

    The service may run meanwhile. Archives are copied beside it.
    """
    from contactd.faces.cli.session import current
    from contactd.records.backup import back_up, name_of

    file = ledger_file(config_dir)
    to = destination / name_of(current().now) if destination.is_dir() else destination
    found = back_up(file, to)
    click.echo(f"{file} copied to {to}: {found.records} records, each as it was written.")
    click.echo(f"Last record: {found.number}, digest {found.digest}")
