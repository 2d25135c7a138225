"""``contactd silence set``: hold alerts back until a time."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import refuse, tell
from contactd.faces.cli.record.entry import (
    Manner,
    need_text,
    print_record,
    recording,
    store_record,
    why,
)
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen, read_configuration
from contactd.faces.cli.times import moment


@click.command("set")
@options.instant("from", "Silent from this time on.", "now")
@options.instant("until", "Until this time.")
@options.targets
@click.option(
    "--kind", "kinds", multiple=True, metavar="KIND", help="Only this kind of alert (repeatable)."
)
@click.option("--warnings", is_flag=True, help="Hold back warnings too. Think twice.")
@why
@recording
def command(
    start: float,
    until: float | None,
    target_names: tuple[str, ...],
    kinds: tuple[str, ...],
    warnings: bool,
    why: str,
    manner: Manner,
) -> None:
    """Hold alerts back until a time (--until), and say why (--why)."""
    reason = need_text("--why", why)
    if until is None:
        refuse("found no end; expected --until TIME")
    if until <= max(start, current().now):
        refuse(f"found --until {moment(until)}; expected a time after --from and after now")
    configuration = read_configuration(manner.config_dir)
    targets = chosen("target", target_names, configuration.targets) if target_names else []

    from contactd.alerts.operator_actions import silence
    from contactd.core.alert import KINDS
    from contactd.faces.cli.store import author

    wanted = chosen("kind of alert", kinds, dict(zip(KINDS, KINDS, strict=True))) if kinds else None
    record = silence(
        start,
        until,
        reason,
        author(manner.by),
        current().now,
        targets=[target.name for target in targets] or None,
        alert_kinds=wanted,
        warnings=warnings,
    )
    if warnings:
        tell("caution: warnings are held back too; nobody is told of them by any channel")
    print_record(store_record(configuration, record, manner), manner)
