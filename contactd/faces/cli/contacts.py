"""``contactd contacts``: when stations see targets."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, complain, refuse, tell
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen, read_configuration
from contactd.faces.cli.times import Duration
from contactd.mission.timetext import inner

if TYPE_CHECKING:
    from contactd.core.contacts.contact import Contact, Coverage
    from contactd.core.contacts.spread import ContactSpread, ContactSpreads
    from contactd.core.contacts.table import ContactTable
    from contactd.core.ground.station import Station
    from contactd.core.orbit.orbit_error import OrbitError
    from contactd.core.orbit.track import Track
    from contactd.core.target import Target


@click.command("contacts")
@options.targets
@options.stations
@options.instant("from", "Show contacts from this time on.", "now")
@options.instant(
    "to", "Show contacts until this time.  [default: the configured horizon after --from]"
)
@click.option(
    "--limit",
    "most",
    type=click.IntRange(1),
    metavar="COUNT",
    help="Show at most this many contacts.",
)
@click.option(
    "--columns",
    "written",
    metavar="LIST",
    default="",
    help="Add columns, by name with commas between, or all; a wrong name lists them.",
)
@click.option(
    "--pointing",
    is_flag=True,
    help="Show where to point during each contact instead (the next one, or --limit of them).",
)
@click.option(
    "--every",
    "every_s",
    type=Duration(),
    default="10s",
    show_default=True,
    metavar="DURATION",
    help="Time between rows of a pointing table.",
)
@click.option(
    "--frequency",
    "frequencies_mhz",
    type=click.FloatRange(min=0, min_open=True, max=1e6),
    multiple=True,
    metavar="MHZ",
    help="Add this frequency's Doppler shift to pointing (repeatable), beside the target's links.",
)
@options.plot
@options.day_of_year
@options.output_format
@options.config
def command(
    target_names: tuple[str, ...],
    station_names: tuple[str, ...],
    start: float,
    to: float | None,
    most: int | None,
    written: str,
    pointing: bool,
    every_s: float,
    frequencies_mhz: tuple[float, ...],
    plot: Path | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """List contacts of targets with stations, in the order of AOS.

    TIME is RFC 3339 with a zone (2026-12-03T08:00:00Z), a day of year (2026-337T08:00:00Z), now,
    or a distance from now (+6h, -1d). Elevations are geometric unless a station asks for
    refraction.
    """
    names: list[str] = []
    if written:
        from contactd.faces.cli.contact_columns import names_of

        names = names_of(written)
    if pointing and every_s <= 0:
        refuse("--every is zero. Give a longer duration.")
    configuration = read_configuration(config_dir)
    targets = chosen("target", target_names, configuration.targets)
    stations = chosen("station", station_names, configuration.stations)
    end = start + configuration.settings.horizon.ahead_s if to is None else to
    if end <= start:
        refuse("--from is not before --to. Swap them, or give a later --to.")
    found = _find(targets, stations, start, end, asked=to is not None)
    if pointing:
        from contactd.faces.cli.pointing import print_pointing

        found.contacts = found.contacts[: most or 1]
        by_name = found.stations
        if plot is not None and found.contacts:
            from contactd.faces.pictures.draw import draw_sky

            first = found.contacts[0]
            draw_sky(plot, found.targets[first.target][1], by_name[first.station], first)
        print_pointing(
            found.contacts, found.targets, by_name, every_s, frequencies_mhz, day_of_year, form
        )
        return
    found.contacts = found.contacts[:most]
    if plot is not None:
        from contactd.faces.pictures.draw import draw_contacts

        draw_contacts(plot, found.contacts, start, end)
    found.add_columns(names)
    if form == "table":
        heading = _heading(found.contacts, targets, stations)
        span = f"from {inner(start, end, day_of_year=day_of_year)}"
        _show(found, heading, span, len(targets) > 1, day_of_year)
    else:
        _give_out(found, form)


def _give_out(found: _Found, form: str) -> None:
    """Print contacts for other programs."""
    forms = [
        {**found.form(contact), **extras}
        for contact, extras in zip(found.contacts, found.extras, strict=True)
    ]
    if form == "json":
        as_json(forms)
        return
    from contactd.mission.documents.models import Contact as Document

    as_csv([*Document.__annotations__, *found.names], forms)


@dataclass(frozen=True)
class _Known:
    """How well one target's contacts are known."""

    error: OrbitError
    epoch: float
    spreads: ContactSpreads
    in_view: dict[str, Coverage]


def _known(
    target: Target, track: Track, stations: list[Station], table: ContactTable, now: float
) -> _Known:
    from contactd.core.contacts.coverage import seen_from
    from contactd.core.contacts.spread import contact_spreads

    error, epoch = target.error_at(now), target.epoch(now)
    assert epoch is not None
    seen = seen_from(track, stations, table, error, epoch)
    in_view = {each.name: seen[each.name, each.least_elevation_deg].coverage for each in stations}
    spreads = contact_spreads(track, stations, table, error, epoch)
    return _Known(error, epoch, spreads, in_view)


@dataclass
class _Found:
    """Contacts, and the columns that were asked for beside them."""

    contacts: list[Contact] = field(default_factory=list)
    stations: dict[str, Station] = field(default_factory=dict)
    targets: dict[str, tuple[Target, Track]] = field(default_factory=dict)
    names: list[str] = field(default_factory=list)
    extras: list[dict[str, Any]] = field(default_factory=list)
    known: dict[str, _Known] = field(default_factory=dict)

    def form(self, contact: Contact) -> dict[str, Any]:
        """A contact for other programs."""
        from contactd.mission.documents.contacts import contact_form
        from contactd.mission.documents.orbit_error import orbit_error_form

        known = self.known[contact.target]
        error = orbit_error_form(known.error, contact.aos - known.epoch)
        station = self.stations[contact.station]
        return contact_form(contact, station, self.spread_of(contact), error)

    def spread_of(self, contact: Contact) -> ContactSpread | None:
        """How far a contact may be off."""
        known = self.known[contact.target]
        return known.spreads.of(contact, known.in_view[contact.station])

    def add_columns(self, names: list[str]) -> None:
        """Work out the columns of these names."""
        self.names = names
        self.extras = [{} for _ in self.contacts]
        if names:
            from contactd.faces.cli.contact_columns import extras_of

            self.extras = extras_of(names, self.contacts, self.targets, self.stations)


def _find(
    targets: list[Target], stations: list[Station], start: float, end: float, *, asked: bool
) -> _Found:
    """All contacts in a span (instants, s), in the order of AOS.

    A motion that is known for a part of the span only is an error where the span was asked for;
    a default span may reach farther than the motion is known.
    """
    from contactd.core.contacts.prediction import predict
    from contactd.faces.cli.motion import problems_of, track_of
    from contactd.faces.cli.progress import with_progress

    now = current().now
    found = _Found(stations={station.name: station for station in stations})
    for target in with_progress(targets, "Predicting"):
        track = track_of(target, now, (start, end))
        if track is None:
            continue
        found.targets[target.name] = target, track
        table = predict([track], stations, start, end)
        found.known[target.name] = _known(target, track, stations, table, now)
        found.contacts.extend(table)
        problems, ends = problems_of(target, track, now, (start, end))
        for problem in problems:
            complain(problem)
        for text in ends:
            complain(text) if asked else tell(f"note: {text}")
    found.contacts.sort(key=lambda each: (each.aos, each.target, each.station))
    return found


def _heading(contacts: list[Contact], targets: list[Target], stations: list[Station]) -> str:
    counts = {0: "No contacts", 1: "1 contact"}
    count = counts.get(len(contacts), f"{len(contacts)} contacts")
    names = targets[0].name if len(targets) == 1 else f"{len(targets)} targets"
    places = stations[0].name if len(stations) == 1 else f"{len(stations)} stations"
    return f"{count} of {names} with {places}"


def _show(found: _Found, heading: str, span: str, with_target: bool, day_of_year: bool) -> None:
    from contactd.faces.cli.contact_table import show_contacts
    from contactd.faces.cli.tables import console, say

    screen = console()
    say(screen, heading, style="bold")
    say(screen, span)
    if found.contacts:
        say(screen, "")
        show_contacts(
            found.contacts,
            screen,
            found.stations,
            with_target=with_target,
            day_of_year=day_of_year,
            spreads=[found.spread_of(contact) for contact in found.contacts],
            names=found.names,
            extras=found.extras,
        )
