"""``contactd record ruling``: somebody decides what is the case."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.record.bounds import between
from contactd.faces.cli.record.entry import (
    Manner,
    Matter,
    need_text,
    of_sequence,
    recording,
    step,
    why,
)
from contactd.faces.cli.session import current

VERDICTS = ("started", "not-started", "acted", "did-not-act")


@click.command("ruling")
@of_sequence
@click.argument("verdict", metavar="VERDICT", type=click.Choice(VERDICTS))
@step
@options.instant("at", "For acted: it had acted by then.")
@between
@why
@recording
def command(
    target_name: str,
    sequence_name: str,
    verdict: str,
    step_name: str | None,
    at: float | None,
    earliest: float | None,
    latest: float | None,
    why: str,
    manner: Manner,
) -> None:
    """Rule on SEQUENCE of TARGET, or on one of its steps (--step), and say why.

    VERDICT is started or not-started for a sequence, acted or did-not-act for a step. For started
    give the bounds by --earliest and --latest where none are known.
    """
    reason = need_text("--why", why)
    matter = Matter.of(target_name, sequence_name, manner)
    named = matter.step(step_name) if step_name is not None else None

    from contactd.core.record import RULING
    from contactd.core.sequences.statements import ruling
    from contactd.faces.cli.store import knowledge_of, state_of

    known = knowledge_of(state_of(matter.configuration), matter.target)
    body = ruling(
        verdict.replace("-", " "),
        reason,
        recorded_at=current().now,
        step=named,
        earliest=earliest,
        latest=latest,
        at=at,
        knowledge=known.get(matter.sequence.name),
        sequence=matter.sequence,
    )
    matter.enter(RULING, body, manner, named)
