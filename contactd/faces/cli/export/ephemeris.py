"""``contactd export ephemeris``: a target's motion as OEM."""

from __future__ import annotations

from pathlib import Path

import click

from contactd.core.errors import InputError
from contactd.faces.cli import options
from contactd.faces.cli.export.writing import output, write
from contactd.faces.cli.output import refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, read_configuration
from contactd.faces.cli.times import Duration

FORMATS = ("kvn", "xml")
FRAMES = ("EME2000", "GCRF", "ITRF", "TEME")


@click.command("ephemeris")
@click.argument("target_name", metavar="TARGET")
@options.instant("from", "States from this time on.", "now")
@options.instant("to", "States until this time.", "+1d")
@click.option(
    "--every",
    "every_s",
    type=Duration(),
    default="60s",
    show_default=True,
    metavar="DURATION",
    help="Distance of states.",
)
@click.option(
    "--frame", type=click.Choice(FRAMES), default="EME2000", show_default=True, help="Axes."
)
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    default="kvn",
    show_default=True,
    help="OEM (CCSDS 502.0-B-3) as KVN or XML.",
)
@output
@options.config
def command(
    target_name: str,
    start: float,
    to: float,
    every_s: float,
    frame: str,
    form: str,
    output: Path | None,
    config_dir: str,
) -> None:
    """The motion of TARGET as states for interpolation (CCSDS Orbit Ephemeris Message)."""
    if to <= start:
        refuse("--from is not before --to. Swap them, or give a later --to.")
    if every_s <= 0:
        refuse("--every is zero. Give a longer duration.")
    configuration = read_configuration(config_dir)
    target = one("target", target_name, configuration.targets)

    from contactd.core.orbit.oem import format_oem
    from contactd.faces.cli.motion import track_of

    now = current().now
    track = track_of(target, now, (start, to))
    if track is None:
        return
    elements = target.elements_for(now)
    designator = elements.international_designator if elements else ""
    try:
        text = format_oem(
            track,
            start,
            to,
            every_s,
            form,
            frame=frame,
            object_id=designator or "UNKNOWN",
            created=now,
        )
    except ValueError as problem:
        raise InputError("a span with states, and not too many of them", str(problem)) from None
    write(text.encode(), output)
