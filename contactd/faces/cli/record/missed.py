"""``contactd record missed``: a contact was missed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import tell
from contactd.faces.cli.record.entry import Manner, enter, recording, why
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, read_configuration
from contactd.mission.timetext import NEAREST, moment

if TYPE_CHECKING:
    from contactd.core.contacts.contact import Contact


@click.command("missed")
@click.argument("target_name", metavar="TARGET")
@click.argument("station_name", metavar="STATION")
@options.instant("at", "A moment in the contact.", "now")
@options.instant("until", "When the station has it again.  [default: not in this contact]")
@why
@recording
def command(
    target_name: str,
    station_name: str,
    at: float,
    until: float | None,
    why: str,
    manner: Manner,
) -> None:
    """Record that STATION missed a contact of TARGET, or is missing it now.

    It then covers no step, and no command can be sent through it.
    """
    now = current().now
    configuration = read_configuration(manner.config_dir)
    target = one("target", target_name, configuration.targets)
    station = one("station", station_name, configuration.stations)

    from contactd.core.contacts.missed import LOOKED_AT_S, contact_at, missed_contact
    from contactd.core.contacts.prediction import predict
    from contactd.core.record import CONTACT_MISSED
    from contactd.faces.cli.motion import track_of

    span = (at - LOOKED_AT_S, at + LOOKED_AT_S)
    track = track_of(target, now, span)
    contacts = [] if track is None else list(predict([track], [station], *span))
    body = missed_contact(contacts, station.name, at, now, until, why)
    if track is not None and contact_at(contacts, station.name, at) is None:
        _question(target.name, station.name, at, contacts)
    enter(configuration, target, CONTACT_MISSED, target.name, body, manner)


def _question(target: str, station: str, at: float, contacts: list[Contact]) -> None:
    """A caution when no contact is predicted then: it may be a slip of the pen."""
    near = min(contacts, key=lambda each: min(abs(each.aos - at), abs(each.los - at)), default=None)
    nearest = (
        f"; the nearest is from {moment(near.aos, NEAREST)} to {moment(near.los, NEAREST)}"
        if near
        else ""
    )
    tell(
        f"caution: no contact of {target} over {station} is predicted at "
        f"{moment(at, NEAREST)}{nearest}"
    )
