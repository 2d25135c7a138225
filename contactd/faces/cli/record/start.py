"""``contactd record start``: a sequence has started."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from contactd.faces.cli.output import tell
from contactd.faces.cli.record.bounds import about_or_between, when
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording
from contactd.faces.cli.session import current
from contactd.faces.cli.times import Duration
from contactd.mission.timetext import NEAREST, moment

if TYPE_CHECKING:
    from contactd.core.sequences.model import Sequence


@click.command("start")
@of_sequence
@about_or_between()
@click.option(
    "--sigma",
    "sigma_s",
    type=Duration(),
    metavar="DURATION",
    help="Standard deviation of the time, where its error is known to be normal.",
)
@recording
def command(
    target_name: str,
    sequence_name: str,
    at: float | None,
    give_or_take_s: float | None,
    earliest: float | None,
    latest: float | None,
    sigma_s: float | None,
    manner: Manner,
) -> None:
    """Record that SEQUENCE of TARGET has started.

    Give the time by --at and --give-or-take, or by --earliest and --latest.
    """
    matter = Matter.of(target_name, sequence_name, manner)
    otherwise_s = 0.0 if sigma_s is not None else matter.sequence.start.give_or_take_s
    bounds = when(at, give_or_take_s, earliest, latest, otherwise_s)

    from contactd.core.record import START_OBSERVED
    from contactd.core.sequences.statements import start_observed

    body = start_observed(
        bounds.at,
        bounds.give_or_take_s,
        recorded_at=current().now,
        earliest=bounds.earliest,
        latest=bounds.latest,
        sigma_s=sigma_s,
    )
    _compare(matter.sequence, bounds.at)
    matter.enter(START_OBSERVED, body, manner)


def _compare(sequence: Sequence, at: float) -> None:
    """A caution when the start lies outside the configured bounds: it may be a slip of the pen."""
    expected = sequence.start
    if expected.earliest is None or expected.latest is None:
        return
    if not expected.earliest <= at <= expected.latest:
        bounds = f"{moment(expected.earliest, NEAREST)} to {moment(expected.latest, NEAREST)}"
        tell(f"caution: {moment(at, NEAREST)} is outside the start in the target's file, {bounds}")
