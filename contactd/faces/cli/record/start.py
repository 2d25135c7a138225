"""``contactd record start``: a sequence has started."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import refuse, tell
from contactd.faces.cli.record.entry import Manner, enter, recording
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, read_configuration, sequence_of
from contactd.faces.cli.times import Duration, moment

if TYPE_CHECKING:
    from contactd.core.sequences.model import Sequence


@click.command("start")
@click.argument("target_name", metavar="TARGET")
@click.argument("sequence_name", metavar="SEQUENCE")
@options.instant("at", "When it started, as well as it is known.")
@click.option(
    "--give-or-take",
    "give_or_take_s",
    type=Duration(),
    metavar="DURATION",
    help="How far off that may be, both ways.  [default: as the target's file says]",
)
@options.instant("earliest", "Or: it started at this time or later,")
@options.instant("latest", "and at this time or earlier.")
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
    bounded = earliest is not None and latest is not None
    if (earliest is None) != (latest is None):
        refuse("found one bound; expected both --earliest and --latest")
    if bounded and give_or_take_s is not None:
        refuse("found --give-or-take with --earliest and --latest; expected one of the two ways")
    if at is None and not bounded:
        refuse("found no time; expected --at TIME, or --earliest TIME and --latest TIME")
    configuration = read_configuration(manner.config_dir)
    target = one("target", target_name, configuration.targets)
    sequence = sequence_of(target, sequence_name)

    from contactd.core.record import START_OBSERVED
    from contactd.core.sequences.statements import start_observed, subject_of

    if at is None:
        assert earliest is not None
        assert latest is not None
        at = earliest + (latest - earliest) / 2
    if give_or_take_s is None:
        unstated = bounded or sigma_s is not None
        give_or_take_s = 0.0 if unstated else sequence.start.give_or_take_s
    body = start_observed(
        at,
        give_or_take_s,
        recorded_at=current().now,
        earliest=earliest,
        latest=latest,
        sigma_s=sigma_s,
    )
    _compare(sequence, at)
    enter(configuration, target, START_OBSERVED, subject_of(sequence), body, manner)


def _compare(sequence: Sequence, at: float) -> None:
    """A caution when the start lies outside the configured bounds: it may be a slip of the pen."""
    expected = sequence.start
    if expected.earliest is None or expected.latest is None:
        return
    if not expected.earliest <= at <= expected.latest:
        bounds = f"{moment(expected.earliest)} to {moment(expected.latest)}"
        tell(f"caution: {moment(at)} is outside the start in the target's file, {bounds}")
