"""``contactd record seen``: a step's effect was seen."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording
from contactd.faces.cli.session import current


@click.command("seen")
@of_sequence
@click.argument("step_name", metavar="STEP")
@options.instant("at", "When it was seen: it had acted by then.", "now")
@options.instant("earliest", "The last time at which it had not acted yet, if that is known.")
@click.option("--how", metavar="TEXT", default="", help="How it was seen (telemetry, camera …).")
@recording
def command(
    target_name: str,
    sequence_name: str,
    step_name: str,
    at: float,
    earliest: float | None,
    how: str,
    manner: Manner,
) -> None:
    """Record that the effect of STEP in SEQUENCE of TARGET was seen."""
    matter = Matter.of(target_name, sequence_name, manner)
    step = matter.step(step_name)

    from contactd.core.record import STEP_SEEN
    from contactd.core.sequences.statements import step_seen

    body = step_seen(
        matter.sequence, step, at, recorded_at=current().now, earliest=earliest, by=how
    )
    matter.enter(STEP_SEEN, body, manner, step)
