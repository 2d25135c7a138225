"""``contactd record reading``: what a countdown showed."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import refuse
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording
from contactd.faces.cli.session import current
from contactd.faces.cli.times import Duration, Written


@click.command("reading")
@of_sequence
@click.option(
    "--step", "step_name", metavar="STEP", help="Whose countdown.  [default: time since the start]"
)
@options.instant("at", "When it was read (UTC of the reading, not of this entry).")
@click.option(
    "--remaining",
    type=Written(),
    metavar="DURATION",
    help="It showed so much remaining,",
)
@click.option(
    "--elapsed",
    type=Written(),
    metavar="DURATION",
    help="or so much elapsed.",
)
@click.option(
    "--error",
    "error_s",
    type=Duration(),
    metavar="DURATION",
    help="How far off the reading may be, both ways.  [default: half its last digit]",
)
@click.option(
    "--at-error",
    "at_error_s",
    type=Duration(),
    metavar="DURATION",
    default="0s",
    show_default=True,
    help="How far off --at may be, both ways.",
)
@click.option("--unit", metavar="NAME", help="Which timer unit, where several drive the step.")
@recording
def command(
    target_name: str,
    sequence_name: str,
    step_name: str | None,
    at: float | None,
    remaining: tuple[float, float] | None,
    elapsed: tuple[float, float] | None,
    error_s: float | None,
    at_error_s: float,
    unit: str | None,
    manner: Manner,
) -> None:
    """Record what a countdown of SEQUENCE of TARGET showed.

    More readings only narrow what is known; one that contradicts the others is kept, named, and
    changes nothing.
    """
    if at is None:
        refuse("found no time; expected --at TIME, the moment of the reading")
    shown = remaining or elapsed
    if shown is None or (remaining and elapsed):
        found = "both" if shown else "neither"
        refuse(f"found {found}; expected either --remaining or --elapsed")
    matter = Matter.of(target_name, sequence_name, manner)
    step = matter.step(step_name) if step_name is not None else None
    if step is None and elapsed is None:
        refuse("found no step; expected --step STEP, whose countdown showed what remains")

    from contactd.core.record import READING
    from contactd.core.sequences.statements import reading

    body = reading(
        matter.sequence,
        step,
        at,
        recorded_at=current().now,
        remaining_s=remaining[0] if remaining else None,
        elapsed_s=elapsed[0] if elapsed else None,
        error_s=shown[1] / 2 if error_s is None else error_s,
        at_error_s=at_error_s,
        unit=unit,
    )
    matter.enter(READING, body, manner, step)
