"""``contactd export schedule``: station time for those who run the stations, and for calendars."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.export.writing import output, write
from contactd.faces.cli.output import refuse, tell
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen
from contactd.faces.cli.watched import read_watched
from contactd.faces.plain_text import json_text

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.allocation.result import Grant
    from contactd.faces.exchange.plan import Plan

FORMATS = ("ccsds", "csv", "json", "calendar")


@click.command("schedule")
@options.targets
@options.stations
@options.instant("from", "Station time from here on.", "now")
@options.instant("to", "Station time until here.  [default: the configured horizon after now]")
@click.option(
    "--format",
    "form",
    type=click.Choice(FORMATS),
    default="ccsds",
    show_default=True,
    help="CCSDS simple schedule (902.1-B, XML), CSV, JSON, or iCalendar (RFC 5545).",
)
@click.option(
    "--origin", metavar="NAME", default="contactd", help="Who it is from, as its header says."
)
@click.option(
    "--update",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Carry on this calendar: see `contactd export calendar`. The file may be missing.",
)
@output
@options.config
def command(
    target_names: tuple[str, ...],
    station_names: tuple[str, ...],
    start: float,
    to: float | None,
    form: str,
    origin: str,
    update: Path | None,
    output: Path | None,
    config_dir: str,
) -> None:
    """Who has which station when, for other programs.

    What the service has allocated, as the ledger has it; where it has nothing yet, what `contactd
    allocate` shows. The simple schedule keeps to the standard's field names as they are known
    here; it was not validated against the standard's schema, which could not be had.
    """
    if update is not None and (output is not None or form != "calendar"):
        refuse("--update needs --format calendar without --output. Remove one.")
    configuration = read_watched(config_dir)
    now = current().now
    end = now + configuration.settings.horizon.ahead_s if to is None else to
    if end <= start:
        refuse("--from is not before --to. Swap them, or give a later --to.")
    targets = {each.name for each in chosen("target", target_names, configuration.targets)}
    stations = {each.name for each in chosen("station", station_names, configuration.stations)}
    every, plan = _plan(configuration, (start, end), origin, targets, stations)
    if form == "calendar":
        data = _calendar(configuration, every, (start, end), update, targets, stations)
    else:
        data = _text(plan, form)
    write(data, update or output)
    if update or output:
        tell(f"{len(plan.entries)} contacts in {update or output}")


def _plan(
    configuration: Configuration,
    span: tuple[float, float],
    origin: str,
    targets: set[str],
    stations: set[str],
) -> tuple[list[Grant], Plan]:
    from contactd.faces.cli.sharing import allocation_of, services_of, sharing_of
    from contactd.faces.cli.store import state_of
    from contactd.faces.exchange.plan import plan_of

    now = current().now
    state, sharing = state_of(configuration), sharing_of(configuration)
    known = state.station_time if configuration.sharing is not None else None
    if known is None:
        known = allocation_of(configuration, sharing, state, now, max(span[1], now + 1.0))
    grants = [
        each
        for each in known.grants
        if each.target in targets
        and each.station in stations
        and each.end > span[0]
        and each.start < span[1]
    ]
    services = services_of(dict(sharing.requests))
    return grants, plan_of(grants, configuration.stations, span, now, services, origin)


def _text(plan: Plan, form: str) -> bytes:
    if form == "ccsds":
        from contactd.faces.exchange.simple_schedule import write_simple_schedule

        return write_simple_schedule(plan)
    if form == "json":
        from contactd.faces.exchange.plain import json_form

        return (json_text(json_form(plan), indent=2) + "\n").encode()
    from contactd.faces.exchange.plain import csv_text

    return csv_text(plan).encode()


def _calendar(
    configuration: Configuration,
    grants: list[Grant],
    span: tuple[float, float],
    update: Path | None,
    targets: set[str],
    stations: set[str],
) -> bytes:
    from contactd.faces.cli.export.calendar import published
    from contactd.faces.export.calendar import calendar_text
    from contactd.faces.export.events import GRANT, grant_events

    def covers(kind: str, about: str) -> bool:
        target, _, station = about.partition("/")
        return kind == GRANT and target in targets and station in stations

    return calendar_text(
        grant_events(grants, configuration.stations),
        current().now,
        name="contactd station time",
        before=published(update),
        span=span,
        covers=covers,
    )
