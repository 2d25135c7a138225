"""The options that commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from contactd.faces.cli.times import Instant

FORMATS = ("table", "json", "csv")
DEFAULT_CONFIG = "config"

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

config = click.option(
    "--config",
    "config_dir",
    metavar="DIR",
    default=DEFAULT_CONFIG,
    show_default=True,
    envvar="CONTACTD_CONFIG",
    show_envvar=True,
    help="Folder of the configuration.",
)

output_format = click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    default="table",
    show_default=True,
    help="How to print the answer.",
)

day_of_year = click.option(
    "--day-of-year",
    is_flag=True,
    help="Show dates in tables as year and day of year (CCSDS 301.0-B ASCII B).",
)


def instant(name: str, help_text: str, default: str | None = None) -> Decorator:
    """An option that takes a moment."""
    return click.option(
        f"--{name}",
        name.replace("-", "_") if name != "from" else "start",
        type=Instant(),
        default=default,
        show_default=default is not None,
        metavar="TIME",
        help=help_text,
    )


targets = click.option(
    "--target", "target_names", multiple=True, metavar="NAME", help="Only this target (repeatable)."
)

stations = click.option(
    "--station",
    "station_names",
    multiple=True,
    metavar="NAME",
    help="Only this station (repeatable).",
)

plot = click.option(
    "--plot",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Draw it as well, into FILE.png or FILE.svg (needs the extra plots).",
)
