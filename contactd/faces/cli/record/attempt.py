"""``contactd record attempt``: something may have started a sequence."""

from __future__ import annotations

import click

from contactd.faces.cli.output import refuse
from contactd.faces.cli.record.bounds import about_or_between, when
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording, why
from contactd.faces.cli.session import current


@click.command("attempt")
@of_sequence
@about_or_between()
@why
@recording
def command(
    target_name: str,
    sequence_name: str,
    at: float | None,
    give_or_take_s: float | None,
    earliest: float | None,
    latest: float | None,
    why: str,
    manner: Manner,
) -> None:
    """Record that something may have started SEQUENCE of TARGET.

    The sequence is then in doubt: everything hazardous counts as running until a step is seen, is
    credibly not seen, or somebody rules on it.
    """
    matter = Matter.of(target_name, sequence_name, manner)
    bounds = when(at, give_or_take_s, earliest, latest, matter.sequence.start.give_or_take_s)
    first = bounds.at - bounds.give_or_take_s if bounds.earliest is None else bounds.earliest
    last = bounds.at + bounds.give_or_take_s if bounds.latest is None else bounds.latest
    if first > last:
        refuse("found --latest before --earliest; expected it after")

    from contactd.core.record import START_ATTEMPTED
    from contactd.core.sequences.statements import start_attempted

    body = start_attempted(first, last, recorded_at=current().now, why=why)
    matter.enter(START_ATTEMPTED, body, manner)
