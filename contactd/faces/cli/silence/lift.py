"""``contactd silence lift``: end a silence early."""

from __future__ import annotations

import click

from contactd.faces.cli.record.entry import Manner, print_record, recording
from contactd.faces.cli.silence.standing import enter


@click.command("lift")
@click.argument("number", metavar="NUMBER", type=click.IntRange(1))
@recording
def command(number: int, manner: Manner) -> None:
    """End a silence early. NUMBER is the record that set it, as `contactd silence list` shows."""
    from contactd.faces.cli.situation import read_configuration
    from contactd.mission.actions import Lift

    print_record(enter(read_configuration(manner.config_dir), Lift(number), manner), manner)
