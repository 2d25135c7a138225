"""``contactd demo``: a fresh demo configuration."""

from __future__ import annotations

from pathlib import Path

import click

from contactd.faces.cli.output import refuse
from contactd.faces.cli.session import current


@click.command("demo")
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
def command(folder: Path) -> None:
    """Write a demo configuration into DIR, made for the present day.

    DIR must be new or empty. The satellite, the stations and the orbit are invented.
    """
    if folder.exists() and any(folder.iterdir()):
        refuse(f"{folder} is not empty. Name a new or an empty folder.")
    from contactd.config.demo import write_demo

    write_demo(folder, current().now)
    click.echo(f"Wrote a demo configuration to {folder}. Look at it with:")
    for action in ("check", "contacts", "forecast", "run"):
        click.echo(f"  contactd {action} --config {folder}")
