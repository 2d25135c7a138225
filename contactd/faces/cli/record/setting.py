"""``contactd record setting``: a dial has been set."""

from __future__ import annotations

import click

from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording
from contactd.faces.cli.times import Duration


@click.command("setting")
@of_sequence
@click.argument("step_name", metavar="STEP")
@click.argument("setting_s", metavar="DURATION", type=Duration())
@recording
def command(
    target_name: str, sequence_name: str, step_name: str, setting_s: float, manner: Manner
) -> None:
    """Record that the dial of STEP in SEQUENCE of TARGET stands at DURATION."""
    matter = Matter.of(target_name, sequence_name, manner)
    step = matter.step(step_name)

    from contactd.core.record import SETTING_CHOSEN
    from contactd.core.sequences.statements import setting_chosen

    matter.enter(SETTING_CHOSEN, setting_chosen(matter.sequence, step, setting_s), manner, step)
