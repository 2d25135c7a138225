"""``contactd allocate``: who has which station when, and why not the others."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen, read_configuration
from contactd.mission.timetext import NO_EARLIER, NO_LATER, inner, length, moment

if TYPE_CHECKING:
    from contactd.core.allocation.result import Allocation, EarlierStop, Grant, Shortfall


@click.command("allocate")
@options.targets
@options.stations
@options.instant("at", "Allocate as seen at this time, from what was known by then.", "now")
@options.instant("to", "Allocate until this time.  [default: the configured horizon after --at]")
@click.option("--explain", is_flag=True, help="Show what each request lost, to whom, and why.")
@click.option("--fresh", is_flag=True, help="Ignore earlier grants.")
@options.plot
@options.day_of_year
@options.output_format
@options.config
def command(
    target_names: tuple[str, ...],
    station_names: tuple[str, ...],
    at: float,
    to: float | None,
    explain: bool,
    fresh: bool,
    plot: Path | None,
    day_of_year: bool,
    form: str,
    config_dir: str,
) -> None:
    """Allocate station time among the targets; explain losses.

    Rests on what targets ask for (station_time in the files), on their predicted contacts, on what
    the ledger says was granted before and on stations' own schedules. Nothing is recorded: the
    service allocates by itself, in the same way. --target and --station choose what is shown; all
    of it is allocated in any case.
    """
    from contactd.faces.cli.sharing import allocation_of, sharing_of
    from contactd.faces.cli.store import state_of

    configuration = read_configuration(config_dir, at)
    until = at + configuration.settings.horizon.ahead_s if to is None else to
    if until <= at:
        refuse("--to is not after --at. Give a later time.")
    targets = {each.name for each in chosen("target", target_names, configuration.targets)}
    stations = {each.name for each in chosen("station", station_names, configuration.stations)}
    sharing = sharing_of(configuration)
    state = state_of(configuration, at if at < current().now else None)
    made = allocation_of(configuration, sharing, state, at, until, fresh)
    grants = [
        each
        for each in made.grants
        if each.end > at and each.target in targets and each.station in stations
    ]
    short = [each for each in made.shortfalls if each.target in targets]
    stops = [each for each in made.earlier_stops if each.target in targets]
    if plot is not None:
        from contactd.faces.pictures.draw import draw_allocation

        draw_allocation(plot, grants, at, until)
    from contactd.faces.exchange.forms import GRANT_FIELDS, allocation_form, grant_form

    if form == "json":
        as_json(allocation_form(made, grants, short, stops, why=explain))
    elif form == "csv":
        as_csv(GRANT_FIELDS, map(grant_form, grants))
    else:
        _show(made, grants, (short, stops), explain, day_of_year)


def _show(
    made: Allocation,
    grants: list[Grant],
    fallen: tuple[list[Shortfall], list[EarlierStop]],
    explain: bool,
    day_of_year: bool,
) -> None:
    from contactd.faces.cli.allocation_table import show_earlier_stops, show_grants, show_shortfalls
    from contactd.faces.cli.tables import console, say

    screen = console()
    now, until = made.span
    targets = len({each.target for each in grants})
    count = "1 grant" if len(grants) == 1 else f"{len(grants)} grants"
    of = "1 target" if targets == 1 else f"{targets} targets"
    say(screen, f"{count} of station time to {of}" if grants else "No station time is granted")
    say(screen, f"from {inner(now, until, day_of_year=day_of_year)}")
    if made.frozen_until is not None:
        say(
            screen,
            "Grants before "
            f"{moment(made.frozen_until, NO_EARLIER, day_of_year=day_of_year)} stay as they are.",
        )
    if grants:
        say(screen, "")
        show_grants(screen, grants, day_of_year)
    for grant in made.dropped:
        say(screen, "")
        when = moment(grant.start, NO_EARLIER, day_of_year=day_of_year)
        when += f", {length(grant.duration_s, NO_LATER)}"
        say(screen, f"Given up: {grant.target} at {grant.station}, {when}", hang=2)
    say(screen, "")
    short, stops = fallen
    show_earlier_stops(screen, stops, day_of_year)
    if short or not stops:
        show_shortfalls(screen, short, explain, day_of_year)
    from contactd.mission.texts.allocation import how_good

    say(screen, how_good(made))
