"""``contactd record granted``: what a station granted, and how that differs from what was asked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from contactd.core.errors import InputError
from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, complain, refuse, tell
from contactd.faces.cli.record.entry import Manner, keep, recording
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import chosen, read_configuration
from contactd.mission.timetext import NEAREST, moment, on_day_of

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.allocation.compare import Difference
    from contactd.core.allocation.schedule import Booking, Confirmed, Schedule
    from contactd.core.record import Record
    from contactd.faces.cli.screen import Screen
    from contactd.faces.exchange.reading import Understood
    from contactd.records.state import State

FIELDS = ("station", "target", "kind", "asked_from", "asked_to", "given_from", "given_to", "text")


@click.command("granted")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@options.stations
@options.instant("from", "Start of the schedule's period.  [default: as the file says]")
@options.instant("to", "End of the schedule's period.  [default: as the file says]")
@click.option(
    "--name",
    "names",
    metavar="THEIRS=OURS",
    multiple=True,
    help="A target or station that the file calls by another name (repeatable).",
)
@recording
def command(
    file: Path,
    station_names: tuple[str, ...],
    start: float | None,
    to: float | None,
    names: tuple[str, ...],
    manner: Manner,
) -> None:
    """Record what a station granted, and report how it differs from what was asked for.

    FILE is a station's schedule: a CCSDS simple schedule (902.1-B, XML), JSON, or CSV with the
    columns target, station, from, to. Within the time that it speaks for, a station of it is yours
    for these contacts and no others; command windows and forecasts keep to that from then on. With
    --station, other stations of the file are left out, and a station that has no contact in it has
    granted nothing. A later schedule goes before an earlier one. With --dry-run nothing is
    recorded.
    """
    from contactd.faces.exchange.reading import read_plan, understand

    configuration = read_configuration(manner.config_dir)
    wanted = (
        [each.name for each in chosen("station", station_names, configuration.stations)]
        if station_names
        else []
    )
    named = _named(names)
    try:
        plan = read_plan(_read(file))
        found = understand(
            plan, list(configuration.targets), list(configuration.stations), named,
            wanted, start, to,
        )  # fmt: skip
    except InputError as error:
        complain(str(error.at(str(file))))
        tell("Nothing was recorded.")
        return
    schedules = [each for each in found.schedules if not wanted or each.station in wanted]
    _say_passed_over(found, configuration)
    if not schedules:
        complain(f"{file}: found no station of the configuration in it: nothing was recorded")
        return
    reports = _reports(configuration, schedules)
    records = [_record(configuration, each, str(file), manner) for each in reports]
    _print(reports, records, found, manner)


@dataclass(frozen=True)
class Report:
    """One station's schedule, and how it differs from what was asked for, and from the one before.

    Attributes:
        asked: antenna time that was asked for within its span.
        asked_what: what that is, in words.
        before: bookings of the schedule that held until now within its span; None if there was
            none.
    """

    schedule: Schedule
    asked: tuple[Booking, ...]
    asked_what: str
    differences: tuple[Difference, ...]
    before: tuple[Booking, ...] | None
    changes: tuple[Difference, ...]


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError("a file that can be read", error.strerror or "", "", str(path)) from None


def _named(given: Iterable[str]) -> dict[str, str]:
    named = {}
    for each in given:
        theirs, equals, ours = each.partition("=")
        if not (equals and theirs.strip() and ours.strip()):
            refuse(f"found --name {each!r}; expected THEIRS=OURS, such as 'LNTRN3=Lantern 3'")
        named[theirs.strip()] = ours.strip()
    return named


def _say_passed_over(found: Understood, configuration: Configuration) -> None:
    """What of the file is nobody's here; a name that is nearly one of ours is doubtful."""
    import difflib

    for kind, passed, ours in (
        ("target", found.others, configuration.targets),
        ("station", found.elsewhere, configuration.stations),
    ):
        for name, count in sorted(passed.items()):
            near = difflib.get_close_matches(name, list(ours), n=1)
            hint = f" (if {near[0]!r} is meant: --name {name!r}={near[0]!r})" if near else ""
            contacts = "1 contact" if count == 1 else f"{count} contacts"
            tell(f"note: passed over {contacts} of {name!r}, which is no {kind} here{hint}")


def _reports(configuration: Configuration, schedules: Sequence[Schedule]) -> list[Report]:
    from contactd.core.allocation.compare import compare
    from contactd.faces.cli.store import state_of

    state = state_of(configuration)
    asked, what = _asked(configuration, state, max(each.end for each in schedules))
    reports = []
    for schedule in schedules:
        before = _before(state.confirmed, schedule)
        reports.append(
            Report(
                schedule,
                tuple(
                    each
                    for each in asked
                    if each.station == schedule.station
                    and each.end > schedule.start
                    and each.start < schedule.end
                ),
                what,
                compare(asked, schedule),
                before,
                () if before is None else compare(before, schedule),
            )
        )
    return reports


def _asked(
    configuration: Configuration, state: State, until: float
) -> tuple[tuple[Booking, ...], str]:
    """What was asked of stations, and what that is: what was allocated, else every contact."""
    from contactd.core.allocation.schedule import bookings_of

    if configuration.sharing is not None:
        if state.station_time is not None:
            return bookings_of(state.station_time.grants), "what was allocated"
        from contactd.faces.cli.sharing import allocation_of

        now = current().now
        made = allocation_of(
            configuration, configuration.sharing, state, now, max(until, now + 1.0)
        )
        return bookings_of(made.grants), "what would be allocated"
    from contactd.core.allocation.schedule import Booking
    from contactd.faces.cli.forecast import outlook_of

    now = current().now
    span = (now - configuration.settings.horizon.back_s, max(until, now + 1.0))
    bookings = [
        Booking(each.target, each.station, each.aos, each.los)
        for target in configuration.targets.values()
        for each in outlook_of(target, configuration, state, now, span).contacts
    ]
    return tuple(bookings), "every predicted contact"


def _before(confirmed: Mapping[str, Confirmed], schedule: Schedule) -> tuple[Booking, ...] | None:
    """What the station's schedules gave until now within the span of the new one."""
    from contactd.core.allocation.schedule import Booking

    known = confirmed.get(schedule.station)
    if known is None or not known.governed.meets(schedule.start, schedule.end):
        return None
    return tuple(
        Booking(target, schedule.station, start, end)
        for target, booked in known.booked.items()
        for start, end in booked.clip(schedule.start, schedule.end)
    )


def _record(configuration: Configuration, report: Report, source: str, manner: Manner) -> Record:
    """Put a schedule into the ledger, with what was asked for and what was known before."""
    from contactd.core.allocation.records import schedule_body
    from contactd.core.record import STATION_TIME_CONFIRMED, Record
    from contactd.faces.cli.store import author

    counts: dict[str, int] = {}
    for each in report.differences:
        counts[str(each.kind)] = counts.get(str(each.kind), 0) + 1
    body = {
        **schedule_body(report.schedule, source),
        "compared_with": report.asked_what,
        "asked": [_booking_form(each) for each in report.asked],
        "before": None
        if report.before is None
        else [_booking_form(each) for each in report.before],
        "differences": counts,
    }
    if manner.note.strip():
        body["note"] = manner.note.strip()
    station, by = report.schedule.station, author(manner.by)
    record = Record(current().now, STATION_TIME_CONFIRMED, station, by, body)
    return keep(configuration, [record], manner)[0]


def _booking_form(booking: Booking) -> dict[str, Any]:
    from contactd.core.instants import to_text

    return {
        "target": booking.target,
        "from": to_text(booking.start),
        "to": to_text(booking.end),
    }


def _print(
    reports: Sequence[Report], records: Sequence[Record], found: Understood, manner: Manner
) -> None:
    if manner.form == "json":
        from contactd.mission.documents.service import record_form

        as_json(
            [
                {
                    "record": record_form(record),
                    "stored": bool(record.number),
                    "compared_with": report.asked_what,
                    "differences": [_form(each) for each in report.differences],
                    "changes": None
                    if report.before is None
                    else [_form(each) for each in report.changes],
                }
                for report, record in zip(reports, records, strict=True)
            ]
        )
        return
    if manner.form == "csv":
        as_csv(FIELDS, [_form(each) for report in reports for each in report.differences])
        return
    from contactd.faces.cli.tables import console, say

    screen = console()
    for number, (report, record) in enumerate(zip(reports, records, strict=True)):
        if number:
            say(screen, "")
        _show(screen, report, record, found, manner.day_of_year)


def _form(each: Difference) -> dict[str, Any]:
    from contactd.mission.timetext import NO_EARLIER, NO_LATER, machine

    asked, given = each.asked, each.given
    return {
        "station": each.station,
        "target": each.target,
        "kind": str(each.kind),
        "asked_from": None if asked is None else machine(asked.start, NO_EARLIER),
        "asked_to": None if asked is None else machine(asked.end, NO_LATER),
        "given_from": None if given is None else machine(given.start, NO_EARLIER),
        "given_to": None if given is None else machine(given.end, NO_LATER),
        "text": each.text,
    }


def _show(
    screen: Screen, report: Report, record: Record, found: Understood, day_of_year: bool
) -> None:
    from contactd.faces.cli.tables import say
    from contactd.mission.statements import confirmation

    schedule = report.schedule
    say(screen, confirmation(record), style="bold")
    start = moment(schedule.start, NEAREST, day_of_year=day_of_year)
    end = on_day_of(moment(schedule.end, NEAREST, day_of_year=day_of_year), start)
    count = len(schedule.bookings)
    contacts = "1 contact" if count == 1 else f"{count} contacts"
    say(screen, f"{schedule.station} granted {contacts}, {start} to {end}.", hang=2)
    if not found.span_is_said:
        say(
            screen,
            "The file does not say what time it speaks for: taken from its first contact to its "
            "last. --from and --to say it.",
            hang=2,
        )
    say(screen, "")
    _show_differences(screen, report.differences, f"Against {report.asked_what}", day_of_year)
    if report.before is not None:
        say(screen, "")
        _show_differences(screen, report.changes, "Against the schedule before", day_of_year)


def _show_differences(
    screen: Screen, differences: Sequence[Difference], title: str, day_of_year: bool
) -> None:
    from contactd.core.allocation.compare import Kind
    from contactd.faces.cli.tables import Cell, Column, say, show

    same = sum(each.kind is Kind.AS_ASKED for each in differences)
    others = [each for each in differences if each.kind is not Kind.AS_ASKED]
    counts = {kind: sum(each.kind is kind for each in others) for kind in Kind}
    told = ", ".join(f"{count} {kind}" for kind, count in counts.items() if count)
    say(screen, f"{title}: {same} as asked{', ' + told if told else ''}.", hang=2)
    if not others:
        return
    rows: list[list[Cell]] = []
    for each in others:
        either = each.given or each.asked
        assert either is not None, "a difference has one of the two"
        begins = moment(either.start, NEAREST, day_of_year=day_of_year)
        ends = on_day_of(moment(either.end, NEAREST, day_of_year=day_of_year), begins)
        style = {Kind.REFUSED: "bold red", Kind.SHORTER: "yellow", Kind.MOVED: "yellow"}
        rows.append(
            [begins, ends, each.target, (str(each.kind), style.get(each.kind, "")), each.text]
        )
    columns = (
        Column("From", "UTC"),
        Column("To", "UTC"),
        Column("Target", wraps=True),
        Column("Result"),
        Column("Difference", wraps=True),
    )
    show(columns, rows, screen)
