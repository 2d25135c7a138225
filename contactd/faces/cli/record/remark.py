"""``contactd record remark``: a remark for whoever reads on."""

from __future__ import annotations

import click

from contactd.faces.cli.output import refuse
from contactd.faces.cli.record.entry import Manner, print_record, recording, store
from contactd.faces.cli.situation import one, read_configuration, sequence_of


@click.command("remark")
@click.argument("text", metavar="TEXT")
@click.option("--target", "target_name", metavar="NAME", help="About this target.")
@click.option("--sequence", "sequence_name", metavar="NAME", help="About this sequence of it.")
@recording
def command(text: str, target_name: str | None, sequence_name: str | None, manner: Manner) -> None:
    """Record a remark, for whoever reads on."""
    if not text.strip():
        refuse("found an empty TEXT; expected a remark")
    if sequence_name is not None and target_name is None:
        refuse("found --sequence without --target; expected both")
    configuration = read_configuration(manner.config_dir)
    subject = "contactd"
    if target_name is not None:
        target = one("target", target_name, configuration.targets)
        subject = target.name
        if sequence_name is not None:
            subject = f"{target.name}/{sequence_of(target, sequence_name).name}"

    from contactd.core.record import REMARK

    print_record(store(configuration, REMARK, subject, {"text": text.strip()}, manner), manner)
