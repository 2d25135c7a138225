"""``contactd export elements``: a target's element set as OMM or TLE."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from contactd.core.errors import PropagationError
from contactd.faces.cli import options
from contactd.faces.cli.export.writing import output, write
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, read_configuration

FORMATS = ("kvn", "xml", "json", "tle")


@click.command("elements")
@click.argument("target_name", metavar="TARGET")
@options.instant("at", "The set whose epoch is nearest to this time.", "now")
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    default="kvn",
    show_default=True,
    help="OMM (CCSDS 502.0-B-3) as KVN, XML or JSON, or a two-line set with its name.",
)
@output
@options.config
def command(target_name: str, at: float, form: str, output: Path | None, config_dir: str) -> None:
    """The element set of TARGET that predictions rest on."""
    configuration = read_configuration(config_dir)
    target = one("target", target_name, configuration.targets)
    elements = target.elements_for(at)
    if elements is None:
        raise PropagationError(target.name, "there are no elements of it yet")

    from contactd.core.orbit import format_omm, format_tle

    elements = replace(elements, name=elements.name or target.name)
    if form == "tle":
        text = "\n".join((elements.name, *format_tle(elements))) + "\n"
    else:
        text = format_omm(elements, form, created=current().now)
    write(text.encode(), output)
