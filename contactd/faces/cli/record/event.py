"""What held, resumed and power-loss share: an event that countdowns live through."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from contactd.faces.cli.record.bounds import about_or_between, when
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording, step, why
from contactd.faces.cli.session import current


def event_command(name: str, kind: str, summary: str, of_step: bool) -> click.Command:
    """The command that records one kind of event, of a step too if ``of_step``."""

    def command(
        target_name: str,
        sequence_name: str,
        at: float | None,
        give_or_take_s: float | None,
        earliest: float | None,
        latest: float | None,
        why: str,
        manner: Manner,
        step_name: str | None = None,
    ) -> None:
        matter = Matter.of(target_name, sequence_name, manner)
        named = matter.step(step_name) if step_name is not None else None
        bounds = when(at, give_or_take_s, earliest, latest)

        from contactd.core.sequences.statements import event

        middle, margin_s = bounds.at, bounds.give_or_take_s
        if bounds.earliest is not None and bounds.latest is not None:
            middle = bounds.earliest + (bounds.latest - bounds.earliest) / 2
            margin_s = (bounds.latest - bounds.earliest) / 2
        body = event(middle, margin_s, recorded_at=current().now, why=why)
        matter.enter(kind, body, manner, named)

    command.__doc__ = summary
    made: Callable[..., Any] = why(recording(command))
    if of_step:
        made = step(made)
    return click.command(name)(of_sequence(about_or_between(otherwise="0s")(made)))
