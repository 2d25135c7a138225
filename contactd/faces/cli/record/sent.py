"""``contactd record sent``: a command was sent."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording, step
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one


@click.command("sent")
@of_sequence
@click.argument("text", metavar="COMMAND")
@step
@options.instant("at", "When it was sent.", "now")
@click.option("--station", "station_name", metavar="NAME", help="The station that sent it.")
@recording
def command(
    target_name: str,
    sequence_name: str,
    text: str,
    step_name: str | None,
    at: float,
    station_name: str | None,
    manner: Manner,
) -> None:
    """Record that COMMAND was sent for SEQUENCE of TARGET.

    COMMAND is stop, hold, resume, start, or free text. That it took effect is another record.
    """
    matter = Matter.of(target_name, sequence_name, manner)
    named = matter.step(step_name) if step_name is not None else None
    stations = matter.configuration.stations
    station = one("station", station_name, stations).name if station_name is not None else ""

    from contactd.core.record import COMMAND_SENT
    from contactd.core.sequences.statements import command_sent

    body = command_sent(at, text, recorded_at=current().now, station=station)
    matter.enter(COMMAND_SENT, body, manner, named)
