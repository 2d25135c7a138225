"""``contactd silence lift``: end a silence early."""

from __future__ import annotations

import click

from contactd.faces.cli.output import refuse
from contactd.faces.cli.record.entry import Manner, print_record, recording, store_record
from contactd.faces.cli.session import current
from contactd.faces.cli.silence.standing import standing
from contactd.faces.cli.situation import read_configuration


@click.command("lift")
@click.argument("number", metavar="NUMBER", type=click.IntRange(1))
@recording
def command(number: int, manner: Manner) -> None:
    """End a silence early. NUMBER is the record that set it, as `contactd silence list` shows."""
    configuration = read_configuration(manner.config_dir)
    silences = {each.number: each for each in standing(configuration, current().now)}
    if number not in silences:
        known = ", ".join(map(str, silences)) or "none"
        refuse(f"found silence {number}; expected one that stands: {known}")

    from contactd.alerts.operator_actions import lifting
    from contactd.faces.cli.store import author

    record = lifting(silences[number], author(manner.by), current().now)
    print_record(store_record(configuration, record, manner), manner)
