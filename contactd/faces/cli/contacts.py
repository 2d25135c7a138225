"""``contactd contacts``: when stations see targets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, complain, refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen, read_configuration
from contactd.faces.cli.times import moment

if TYPE_CHECKING:
    from contactd.core.contacts.contact import Contact


@click.command("contacts")
@options.targets
@options.stations
@options.instant("from", "Contacts from this time on.", "now")
@options.instant("to", "Contacts until this time.  [default: the configured horizon after --from]")
@options.day_of_year
@options.output_format
@options.config
def command(
    target_names: tuple[str, ...],
    station_names: tuple[str, ...],
    start: float,
    to: float | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """Contacts of targets over stations, in the order of AOS.

    TIME is RFC 3339 with a zone (2026-12-03T08:00:00Z), a day of year (2026-337T08:00:00Z), now,
    or a distance from now (+6h, -1d). Elevations are geometric unless a station asks for
    refraction.
    """
    configuration = read_configuration(config_dir)
    targets = chosen("target", target_names, configuration.targets)
    stations = chosen("station", station_names, configuration.stations)
    end = start + configuration.settings.horizon.ahead_s if to is None else to
    if end <= start:
        refuse(f"--to {moment(end)} is not after --from {moment(start)}")

    from contactd.core.contacts.prediction import predict
    from contactd.faces.cli.motion import Tracks
    from contactd.faces.cli.progress import with_progress

    tracks = Tracks(configuration, current().now)
    found: list[Contact] = []
    for target in with_progress(targets, "Predicting"):
        track = tracks.of(target, start, end)
        if track is None:
            continue
        table = predict([track], stations, start, end)
        for problem in table.problems:
            complain(str(problem))
        found.extend(table)
    found.sort(key=lambda each: (each.aos, each.target, each.station))
    if form == "table":
        from contactd.faces.cli.contact_table import show_contacts
        from contactd.faces.cli.tables import console, say

        screen = console()
        names = targets[0].name if len(targets) == 1 else f"{len(targets)} targets"
        places = stations[0].name if len(stations) == 1 else f"{len(stations)} stations"
        say(screen, f"{_count(found)} of {names} over {places}", style="bold")
        say(screen, f"from {moment(start, day_of_year)} to {moment(end, day_of_year)}")
        if found:
            say(screen, "")
            show_contacts(found, screen, with_target=len(targets) > 1, day_of_year=day_of_year)
    else:
        from contactd.faces.contract import CONTACT_FIELDS, contact_form

        forms = [contact_form(contact) for contact in found]
        as_json(forms) if form == "json" else as_csv(CONTACT_FIELDS, forms)


def _count(contacts: list[Contact]) -> str:
    if not contacts:
        return "No contacts"
    return "1 contact" if len(contacts) == 1 else f"{len(contacts)} contacts"
