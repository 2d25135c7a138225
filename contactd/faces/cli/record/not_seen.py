"""``contactd record not-seen``: a step's effect was watched for, and not seen."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import refuse, tell
from contactd.faces.cli.record.entry import Manner, Matter, of_sequence, recording
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one

BACK_S = 86_400.0


@click.command("not-seen")
@of_sequence
@click.argument("step_name", metavar="STEP")
@options.instant("from", "Watched from this time")
@options.instant("until", "until this time.", "now")
@click.option(
    "--station",
    "station_names",
    multiple=True,
    metavar="NAME",
    help="Who watched (repeatable).  [default: every station]",
)
@recording
def command(
    target_name: str,
    sequence_name: str,
    step_name: str,
    start: float | None,
    until: float,
    station_names: tuple[str, ...],
    manner: Manner,
) -> None:
    """Record that STEP of SEQUENCE of TARGET was watched for, and not seen.

    It counts as proof that the step did not act only if contacts surely covered every moment at
    which it may have acted. Otherwise it is kept, and changes nothing.
    """
    if start is None:
        refuse("found no time; expected --from TIME, when the watch for it began")
    matter = Matter.of(target_name, sequence_name, manner)
    step = matter.step(step_name)
    stations = matter.configuration.stations
    named = frozenset(one("station", name, stations).name for name in station_names)

    from contactd.core.contacts.missed import without_missed
    from contactd.core.planning import predict_target
    from contactd.core.record import STEP_NOT_SEEN
    from contactd.core.sequences.known import SequenceKnowledge
    from contactd.core.sequences.nondetection import step_not_seen
    from contactd.faces.cli.store import knowledge_of, state_of

    state = state_of(matter.configuration)
    known = knowledge_of(state, matter.target).get(matter.sequence.name, SequenceKnowledge())
    now = current().now
    span = (min(start, until) - BACK_S, max(now, until) + BACK_S)
    prediction = predict_target(matter.target, list(stations.values()), span, now)
    outlook = prediction.outlook
    body = step_not_seen(
        matter.sequence,
        known,
        step,
        start,
        until,
        without_missed(
            outlook.services,
            outlook.contacts,
            state.missed_contacts.get(matter.target.name, ()),
        ),
        outlook.span,
        recorded_at=now,
        stations=named or None,
        conditions=prediction.conditions,
    )
    if not body["refutes"]:
        tell(f"caution: this proves nothing: {body['why']}")
    matter.enter(STEP_NOT_SEEN, body, manner, step)
