"""``contactd record missed``: a contact was missed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import refuse, tell
from contactd.faces.cli.record.entry import Manner, print_record, recording, store, why
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, read_configuration
from contactd.faces.cli.times import moment

if TYPE_CHECKING:
    from contactd.core.ground.station import Station
    from contactd.core.target import Target

AROUND_S = 43_200.0


@click.command("missed")
@click.argument("target_name", metavar="TARGET")
@click.argument("station_name", metavar="STATION")
@options.instant("at", "A moment in the contact.", "now")
@why
@recording
def command(target_name: str, station_name: str, at: float, why: str, manner: Manner) -> None:
    """Record that STATION missed a contact of TARGET."""
    now = current().now
    if at > now:
        refuse(f"found --at {moment(at)}; expected a time not after now, {moment(now)}")
    configuration = read_configuration(manner.config_dir)
    target = one("target", target_name, configuration.targets)
    station = one("station", station_name, configuration.stations)
    _compare(target, station, at)

    from contactd.core.record import CONTACT_MISSED
    from contactd.faces.contract import time_text

    body = {"station": station.name, "at": time_text(at), "why": why.strip()}
    print_record(store(configuration, CONTACT_MISSED, target.name, body, manner), manner)


def _compare(target: Target, station: Station, at: float) -> None:
    """A caution when no contact is predicted then: it may be a slip of the pen."""
    from contactd.core.contacts.prediction import predict
    from contactd.faces.cli.motion import track_of

    span = (at - AROUND_S, at + AROUND_S)
    track = track_of(target, current().now, span)
    if track is None:
        return
    contacts = list(predict([track], [station], *span))
    if any(contact.aos <= at <= contact.los for contact in contacts):
        return
    near = min(contacts, key=lambda each: min(abs(each.aos - at), abs(each.los - at)), default=None)
    nearest = f"; the nearest is from {moment(near.aos)} to {moment(near.los)}" if near else ""
    tell(
        f"caution: no contact of {target.name} over {station.name} is predicted at "
        f"{moment(at)}{nearest}"
    )
