"""``contactd check``: every error of the configuration, or what it holds."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from contactd.core import instants
from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import configuration_folder, state_directory
from contactd.faces.cli.tables import STYLES, Column, console, say, say_line, show
from contactd.mission.timetext import (
    NEAREST,
    NO_EARLIER,
    NO_LATER,
    from_now,
    length,
    machine,
    moment,
    rounded,
)

if TYPE_CHECKING:
    from contactd.config.loader import Examined
    from contactd.core.target import Target
    from contactd.faces.cli.screen import Screen

ERROR, NOTE = "error", "note"
NOTED_UT1_ERROR_S = 0.5
"""From here on the Earth may have turned by 230 m more or less at the equator."""
FIELDS = ("verdict", "path", "line", "column", "key", "found", "expected", "text")


@click.command("check")
@click.option(
    "--against-ledger",
    is_flag=True,
    help="Also what the files say otherwise than what runs aboard.",
)
@options.day_of_year
@options.output_format
@options.config
def command(day_of_year: bool, form: str, config_dir: str, against_ledger: bool) -> None:
    """Check all configuration: every error with its file, line and column.

    Without errors, say what the configuration holds. Exit code 1 if there is any error; notes
    do not count.
    """
    from contactd.config.loader import examine

    folder = configuration_folder(config_dir)
    now = current().now
    examined = examine(folder, state_directory(), now)
    if not examined.errors:
        from contactd.faces.cli.motion import with_fetched_elements

        fetched = with_fetched_elements(examined.configuration)
        examined = replace(examined, configuration=fetched)
    findings = [_error(error) for error in examined.errors]
    findings += [*_notes(examined, now), *_turning_notes(now)]
    if against_ledger:
        findings += _contradictions(examined)
    wrong = sum(finding["verdict"] == ERROR for finding in findings)
    if form == "json":
        as_json(
            {
                "errors": [_without_verdict(each) for each in findings if each["verdict"] == ERROR],
                "notes": [_without_verdict(each) for each in findings if each["verdict"] == NOTE],
                "earth_rotation": _turning_form(now),
                "stations": list(examined.configuration.stations),
                "targets": [
                    _target_form(target, now) for target in examined.configuration.targets.values()
                ],
            }
        )
    elif form == "csv":
        as_csv(FIELDS, findings)
    else:
        screen = console()
        for finding in findings:
            _say_finding(screen, finding)
        if wrong:
            count = "1 error" if wrong == 1 else f"{wrong} errors"
            say_line(screen, f"{count} in {folder}.")
            say(screen, "Correct it, then run `contactd check` again.")
        else:
            _summary(screen, examined, now, day_of_year)
    if wrong:
        current().wrong = True


def _say_finding(screen: Screen, finding: dict[str, Any]) -> None:
    text = finding["text"]
    if finding["verdict"] == NOTE:
        text = f"note: {text}"
    say_line(screen, text, STYLES["warning" if finding["verdict"] == ERROR else "caution"])


def _error(error: Any) -> dict[str, Any]:
    return {
        "verdict": ERROR,
        "path": error.path,
        "line": error.line or None,
        "column": error.column or None,
        "key": error.key,
        "found": error.found,
        "expected": error.expected,
        "text": str(error),
    }


def _note(text: str, verdict: str = NOTE) -> dict[str, Any]:
    return {**dict.fromkeys(FIELDS), "verdict": verdict, "text": text}


def _contradictions(examined: Examined) -> list[dict[str, Any]]:
    """Where the files say otherwise than what runs aboard, and what would not be watched."""
    from contactd.faces.cli.store import state_of
    from contactd.faces.cli.watched import watched_by

    watched = watched_by(examined.configuration, state_of(examined.configuration))
    if watched is None:
        return [_note("the ledger holds no definitions: no service has run on it yet")]
    found = []
    for each in watched.watch_list.contradictions:
        path, _, line = each.place.partition(":")
        text = f"{each.place}: {each.subject}: {each.key}: found {each.filed}; aboard {each.aboard}"
        found.append(
            {
                **_note(f"{text}. If the file is right: {each.remedy}", ERROR),
                "path": path,
                "line": int(line) if line else None,
                "key": each.key,
                "found": each.filed,
                "expected": each.aboard,
            }
        )
    return [*found, *(_note(each.text, ERROR) for each in watched.watch_list.unwatched)]


def _without_verdict(finding: dict[str, Any]) -> dict[str, Any]:
    return {field: value for field, value in finding.items() if field != "verdict"}


def _notes(examined: Examined, now: float) -> list[dict[str, Any]]:
    """What is allowed, but will not serve: notices of the files, and elements out of date."""
    configuration = examined.configuration
    found = [
        {
            **_note(str(notice)),
            "path": notice.path,
            "line": notice.line or None,
            "column": notice.column or None,
            "key": notice.key,
        }
        for notice in configuration.notices
    ]
    ahead_s = configuration.settings.horizon.ahead_s
    for target in configuration.targets.values():
        found += _motion_findings(target, now, ahead_s, fetched=target.name in configuration.feeds)
    return found


def _turning_form(now: float) -> dict[str, Any]:
    """How well the Earth's turning (UT1) is known."""
    return {
        "source": instants.ut1_source(),
        "measured_until": machine(instants.ut1_measured_until(), NO_LATER),
        "error_s": round(rounded(float(instants.ut1_error_s(now)), NO_EARLIER, 1e-3), 3),
    }


def _turning_notes(now: float) -> list[dict[str, Any]]:
    error_s = float(instants.ut1_error_s(now))
    if error_s <= NOTED_UT1_ERROR_S:
        return []
    measured_until, source = moment(instants.ut1_measured_until(), NO_LATER), instants.ut1_source()
    return [
        _note(
            f"UT1: the Earth's turning was measured until {measured_until} ({source}) "
            f"and may be off by {rounded(error_s, NO_EARLIER, 0.1):.1f} s. "
            "Install or update the package astropy-iers-data."
        )
    ]


def _motion_findings(
    target: Target, now: float, ahead_s: float, fetched: bool
) -> list[dict[str, Any]]:
    """What is wrong with a target's elements, or what stands in their place."""
    from contactd.core.errors import PropagationError
    from contactd.faces.cli.motion import problems_of, stale_text

    epoch = target.epoch(now)
    if epoch is None:
        what = "has not been fetched yet" if fetched else "has no elements"
        return [_note(f"{target.name}: it {what}: nothing is predicted for it")]
    found = []
    stale = stale_text(target, now, epoch)
    if stale:
        found.append(_note(f"{target.name}: {stale}"))
    span = (now, now + ahead_s)
    try:
        track = target.track(now, span)
        assert track is not None
        problems = [text for texts in problems_of(target, track, now, span) for text in texts]
    except PropagationError as error:
        return [*found, _note(str(error), ERROR)]
    except ValueError as error:
        return [*found, _note(f"{target.name}: {error}", ERROR)]
    within = f" (within the next {length(ahead_s, NEAREST)})"
    return [*found, *(_note(problem + within) for problem in problems)]


def _target_form(target: Target, now: float) -> dict[str, Any]:
    from contactd.mission.documents.orbit_error import orbit_error_form
    from contactd.mission.timetext import machine

    epoch = target.epoch(now)
    return {
        "name": target.name,
        "elements_source": target.elements_source,
        "elements_epoch": machine(epoch, NEAREST),
        "elements_age_s": None if epoch is None else round(now - epoch, 3),
        "orbit_error": None
        if epoch is None
        else orbit_error_form(target.error_at(now), now - epoch),
        "forces": target.forces_in_words,
        "sequences": [
            {"name": sequence.name, "steps": [step.name for step in sequence.steps]}
            for sequence in target.sequences
        ],
    }


def _summary(screen: Screen, examined: Examined, now: float, day_of_year: bool) -> None:
    configuration = examined.configuration
    stations, targets = configuration.stations, configuration.targets
    sequences = [sequence for target in targets.values() for sequence in target.sequences]
    say_line(screen, f"{configuration.directory}: no errors.", style="bold")
    say(
        screen,
        f"{_count(len(stations), 'station')}, {_count(len(targets), 'target')}, "
        f"{_count(len(sequences), 'sequence')}.",
    )
    if stations:
        say(screen, "")
        columns = (
            Column("Station", wraps=True),
            Column("Latitude", "deg N", right=True),
            Column("Longitude", "deg E", right=True),
            Column("Services", wraps=True),
            Column("Outages", optional=1),
        )
        show(
            columns,
            [
                [
                    station.name,
                    f"{station.latitude_deg:.4f}",
                    f"{station.longitude_deg:.4f}",
                    ", ".join(station.services) or "-",
                    str(len(station.outages)) if station.outages else "-",
                ]
                for station in stations.values()
            ],
            screen,
        )
    if targets:
        say(screen, "")
        show(
            (
                Column("Target", wraps=True),
                Column("Elements of", "UTC"),
                Column("That is", right=True),
                Column("Source", wraps=True),
                Column("Sequences", wraps=True),
            ),
            [_target_row(target, now, day_of_year) for target in targets.values()],
            screen,
        )
        say(screen, "")
        for target in targets.values():
            epoch = target.epoch(now)
            if epoch is not None:
                say(screen, f"{target.name}: {_error_text(target, now, epoch)}.", hang=2)
            if target.forces_in_words:
                forces = target.forces_in_words
                say(screen, f"{target.name} is propagated numerically: {forces}.", hang=2)


def _target_row(target: Target, now: float, day_of_year: bool) -> list[str]:
    epoch = target.epoch(now)
    return [
        target.name,
        "-" if epoch is None else moment(epoch, NEAREST, day_of_year=day_of_year),
        "-" if epoch is None else from_now(epoch, now, NEAREST),
        target.elements_source or "-",
        "; ".join(f"{each.name} ({_count(len(each.steps), 'step')})" for each in target.sequences)
        or "-",
    ]


def _error_text(target: Target, now: float, epoch: float) -> str:
    from contactd.mission.texts.orbit_error import orbit_error_text

    error = target.error_at(now)
    return orbit_error_text(error, error.at_age_s(now - epoch))


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
