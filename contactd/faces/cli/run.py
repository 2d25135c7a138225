"""``contactd run``: the daemon."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import configuration_folder


@click.command("run")
@options.config
def command(config_dir: str) -> None:
    """Watch, warn and keep records until told to stop.

    The daemon itself; settings are in DIR/contactd.yaml. SIGHUP reads the configuration again,
    SIGTERM stops it.
    """
    code = current().run(str(configuration_folder(config_dir)), {})
    raise click.exceptions.Exit(code or 0)
