"""``contactd record stop``: a stop has taken effect."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording, step, why
from contactd.faces.cli.session import current


@click.command("stop")
@of_sequence
@step
@options.instant("at", "When the stop took effect.", "now")
@why
@recording
def command(
    target_name: str,
    sequence_name: str,
    step_name: str | None,
    at: float,
    why: str,
    manner: Manner,
) -> None:
    """Record that the stop of SEQUENCE of TARGET, or of one step, took effect.

    Record it when the satellite has confirmed it, not when the command was sent (that is
    `contactd record sent`): a stopped step no longer keeps anybody clear.
    """
    matter = Matter.of(target_name, sequence_name, manner)
    named = matter.step(step_name) if step_name is not None else None

    from contactd.core.record import SEQUENCE_STOPPED
    from contactd.core.sequences.statements import stopped

    body = stopped(at, recorded_at=current().now, why=why)
    matter.enter(SEQUENCE_STOPPED, body, manner, named)
