"""``contactd export calendar``: a calendar after RFC 5545."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from contactd.core.errors import InputError
from contactd.faces.cli import options
from contactd.faces.cli.export.writing import output, write
from contactd.faces.cli.output import complain, refuse, tell
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen
from contactd.faces.cli.watched import read_watched
from contactd.mission.timetext import NEAREST, moment

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.ground.station import Station
    from contactd.core.target import Target
    from contactd.faces.export.events import Event

KINDS = ("contact", "window", "step")


@click.command("calendar")
@options.targets
@options.stations
@options.instant("from", "Events from this time on.", "now")
@options.instant("to", "Events until this time.  [default: the configured horizon after --from]")
@click.option(
    "--include",
    "kinds",
    type=click.Choice(KINDS),
    multiple=True,
    default=("contact",),
    show_default=True,
    help="Contacts, command windows, steps with their stop-by and keep-clear (repeatable).",
)
@click.option(
    "--update",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Carry on this calendar: events keep their UID, what changed gets a higher SEQUENCE, what "
    "is no longer foreseen is CANCELLED. The file may be missing.",
)
@output
@options.config
def command(
    target_names: tuple[str, ...],
    station_names: tuple[str, ...],
    start: float,
    to: float | None,
    kinds: tuple[str, ...],
    update: Path | None,
    output: Path | None,
    config_dir: str,
) -> None:
    """A calendar of contacts, command windows and steps (iCalendar, RFC 5545).

    Subscribe to the file, or publish it, by running this again with --update.
    """
    if update is not None and output is not None:
        refuse("found --update and --output; expected one of them")
    configuration = read_watched(config_dir)
    targets = chosen("target", target_names, configuration.targets)
    stations = chosen("station", station_names, configuration.stations)
    end = start + configuration.settings.horizon.ahead_s if to is None else to
    if end <= start:
        refuse(f"--to {moment(end, NEAREST)} is not after --from {moment(start, NEAREST)}")

    from contactd.faces.export.calendar import calendar_text
    from contactd.faces.export.events import Scope

    scope = Scope(
        frozenset(kinds),
        frozenset(target.name for target in targets) if target_names else None,
        frozenset(station.name for station in stations) if station_names else None,
    )
    events = _events(configuration, targets, stations, (start, end), kinds)
    text = calendar_text(
        events, current().now, before=published(update), span=(start, end), covers=scope.covers
    )
    write(text, update or output)
    if update or output:
        tell(f"{len(events)} events in {update or output}")


def _events(
    configuration: Configuration,
    targets: Sequence[Target],
    stations: Sequence[Station],
    span: tuple[float, float],
    kinds: Sequence[str],
) -> list[Event]:
    """The events of a span (instants, s)."""
    from contactd.faces.cli.forecast import outlook_of
    from contactd.faces.cli.progress import with_progress
    from contactd.faces.cli.store import state_of
    from contactd.faces.export.events import events_of

    state = state_of(configuration)
    by_name = {station.name: station for station in stations}
    # From before the span, so that a contact under way has its true AOS.
    looked_at = (span[0] - configuration.settings.horizon.back_s, span[1])
    found: list[Event] = []
    for target in with_progress(targets, "Predicting"):
        outlook = outlook_of(target, configuration, state, current().now, looked_at, stations)
        if outlook.problem is not None:
            complain(f"{target.name}: {outlook.problem}")
        found += [
            event
            for event in events_of(outlook, by_name, kinds)
            if event.end >= span[0] and event.start < span[1]
        ]
    return found


def published(path: Path | None) -> bytes | None:
    """The calendar in a file; None where there is none yet.

    Raises:
        InputError: if it cannot be read.
    """
    if path is None or not path.exists():
        return None
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            "a calendar that can be read", error.strerror or "", "", str(path)
        ) from None
