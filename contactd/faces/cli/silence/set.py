"""``contactd silence set``: hold alerts back until a time."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import refuse, tell
from contactd.faces.cli.record.entry import Manner, print_record, recording, why
from contactd.faces.cli.silence.standing import enter
from contactd.faces.cli.situation import chosen, read_configuration


@click.command("set")
@options.instant("from", "Silent from this time on.", "now")
@options.instant("to", "Silent to this time.")
@options.targets
@click.option(
    "--kind", "kinds", multiple=True, metavar="KIND", help="Only this kind of alert (repeatable)."
)
@click.option("--warnings", is_flag=True, help="Hold back warnings too. No channel will send them.")
@why
@recording
def command(
    start: float,
    to: float | None,
    target_names: tuple[str, ...],
    kinds: tuple[str, ...],
    warnings: bool,
    why: str,
    manner: Manner,
) -> None:
    """Hold alerts back to a time (--to), for a reason (--why)."""
    if to is None:
        refuse("No end given. Add --to TIME.")
    configuration = read_configuration(manner.config_dir)
    targets = chosen("target", target_names, configuration.targets) if target_names else []

    from contactd.core.alert import KINDS
    from contactd.mission.actions import Silence

    known = {kind: kind for kind in sorted(KINDS)}
    action = Silence(
        start,
        to,
        why,
        targets=tuple(target.name for target in targets) or None,
        kinds=tuple(chosen("kind of alert", kinds, known)) if kinds else None,
        warnings=warnings,
    )
    record = enter(configuration, action, manner)
    if warnings:
        tell("note: warnings are held back too; no channel will send them")
    print_record(record, manner)
