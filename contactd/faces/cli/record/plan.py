"""``contactd record plan``: somebody means to start a sequence."""

from __future__ import annotations

import click

from contactd.faces.cli.record.bounds import about_or_between, when
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording


@click.command("plan")
@of_sequence
@about_or_between("When it is to start.")
@recording
def command(
    target_name: str,
    sequence_name: str,
    at: float | None,
    give_or_take_s: float | None,
    earliest: float | None,
    latest: float | None,
    manner: Manner,
) -> None:
    """Record that somebody means to start SEQUENCE of TARGET.

    With --earliest and --latest the start may come at any time between them.
    """
    matter = Matter.of(target_name, sequence_name, manner)
    known_to_s = matter.sequence.start.give_or_take_s
    bounds = when(at, give_or_take_s, earliest, latest, known_to_s)

    from contactd.core.record import START_PLANNED
    from contactd.core.sequences.statements import start_planned

    body = start_planned(
        bounds.at,
        bounds.give_or_take_s if bounds.earliest is None else known_to_s,
        earliest=bounds.earliest,
        latest=bounds.latest,
    )
    matter.enter(START_PLANNED, body, manner)
