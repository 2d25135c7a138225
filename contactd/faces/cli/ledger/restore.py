"""``contactd ledger restore``: a copy in the place of the ledger."""

from __future__ import annotations

from pathlib import Path

import click

from contactd.faces.cli import options
from contactd.faces.cli.ledger.files import ledger_file


@click.command("restore")
@click.argument("copy", type=click.Path(path_type=Path, dir_okay=False))
@options.config
def command(copy: Path, config_dir: str) -> None:
    """Put COPY, made by `contactd ledger backup`, in the place of the ledger.

    Stop the service first. The ledger that is there is kept beside it under another name. What was
    recorded after the copy was made is not in it: enter it again.
    """
    from contactd.core.instants import to_text
    from contactd.faces.cli.session import current
    from contactd.records.backup import restore, stamp
    from contactd.records.lock import ServiceLock

    file, now = ledger_file(config_dir), current().now
    lock = ServiceLock(file).take(to_text(now, 0))
    try:
        found, aside = restore(copy, file, stamp(now))
    finally:
        lock.release()
    click.echo(f"{copy} is now the ledger {file}: {found.records} records.")
    if aside is not None:
        click.echo(f"The ledger that was there is kept as {aside}")
