"""``contactd record refute``: a sequence did not start."""

from __future__ import annotations

import click

from contactd.faces.cli.record.entry import Manner, Matter, need_text, of_sequence, recording, why


@click.command("refute")
@of_sequence
@why
@recording
def command(target_name: str, sequence_name: str, why: str, manner: Manner) -> None:
    """Record that SEQUENCE of TARGET did not start, and how that is known (--why)."""
    matter = Matter.of(target_name, sequence_name, manner)

    from contactd.core.record import START_REFUTED
    from contactd.core.sequences.statements import start_refuted

    matter.enter(START_REFUTED, start_refuted(need_text("--why", why)), manner)
