"""``contactd check``: every error of the configuration, or what it holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import configuration_folder, state_directory
from contactd.faces.cli.tables import STYLES, Column, console, say, say_line, show
from contactd.faces.cli.times import from_now, length, moment

if TYPE_CHECKING:
    from rich.console import Console

    from contactd.config.loader import Examined
    from contactd.core.planning import Target

ERROR, CAUTION = "error", "caution"
FIELDS = ("verdict", "path", "line", "column", "key", "found", "expected", "text")


@click.command("check")
@options.day_of_year
@options.output_format
@options.config
def command(day_of_year: bool, form: str, config_dir: str) -> None:
    """Check all configuration: every error with its file, line and column.

    Without errors, say what the configuration holds. Exit code 1 if there is any error; cautions
    do not count.
    """
    from contactd.config.loader import examine

    folder = configuration_folder(config_dir)
    now = current().now
    examined = examine(folder, state_directory(), now)
    findings = [_error(error) for error in examined.errors]
    findings += _cautions(examined, now)
    wrong = sum(finding["verdict"] == ERROR for finding in findings)
    if form == "json":
        as_json(
            {
                "errors": [_without_verdict(each) for each in findings if each["verdict"] == ERROR],
                "cautions": [
                    _without_verdict(each) for each in findings if each["verdict"] == CAUTION
                ],
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
            say(screen, "Mend what is wrong, then run `contactd check` again.")
        else:
            _summary(screen, examined, now, day_of_year)
    current().wrong = wrong > 0


def _say_finding(screen: Console, finding: dict[str, Any]) -> None:
    text = finding["text"]
    if finding["verdict"] == CAUTION:
        text = f"caution: {text}"
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


def _caution(text: str, verdict: str = CAUTION) -> dict[str, Any]:
    return {**dict.fromkeys(FIELDS), "verdict": verdict, "text": text}


def _without_verdict(finding: dict[str, Any]) -> dict[str, Any]:
    return {field: value for field, value in finding.items() if field != "verdict"}


def _cautions(examined: Examined, now: float) -> list[dict[str, Any]]:
    """What is allowed, but will not serve: notices of the files, and elements out of date."""
    configuration = examined.configuration
    found = [
        {
            **_caution(str(notice)),
            "path": notice.path,
            "line": notice.line or None,
            "column": notice.column or None,
            "key": notice.key,
        }
        for notice in configuration.notices
    ]
    ahead_s = configuration.settings.horizon.ahead_s
    for target in configuration.targets.values():
        found += _element_findings(target, now, ahead_s, fetched=target.name in configuration.feeds)
    return found


def _element_findings(
    target: Target, now: float, ahead_s: float, fetched: bool
) -> list[dict[str, Any]]:
    from contactd.core.errors import PropagationError
    from contactd.core.orbit.sgp4_track import Sgp4Track

    elements = target.elements_for(now)
    if elements is None:
        if fetched:
            return []
        return [_caution(f"{target.name}: it has no elements: nothing is predicted for it")]
    found = []
    age_s = abs(elements.age_s(now))
    if age_s > target.stale_after_s:
        found.append(
            _caution(
                f"{target.name}: its elements are {length(age_s)} from their epoch and stale after "
                f"{length(target.stale_after_s)}: get a newer set"
            )
        )
    try:
        problem = Sgp4Track(elements, target.name).problem_between(now, now + ahead_s)
    except PropagationError as error:
        return [*found, _caution(str(error), ERROR)]
    if problem is not None:
        found.append(_caution(f"{problem} (within the next {length(ahead_s)})"))
    return found


def _target_form(target: Target, now: float) -> dict[str, Any]:
    from contactd.faces.contract import time_text

    elements = target.elements_for(now)
    return {
        "name": target.name,
        "elements_source": target.elements_source,
        "elements_epoch": time_text(elements.epoch) if elements else None,
        "elements_age_s": round(elements.age_s(now), 3) if elements else None,
        "sequences": [
            {"name": sequence.name, "steps": [step.name for step in sequence.steps]}
            for sequence in target.sequences
        ],
    }


def _summary(screen: Console, examined: Examined, now: float, day_of_year: bool) -> None:
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


def _target_row(target: Target, now: float, day_of_year: bool) -> list[str]:
    elements = target.elements_for(now)
    return [
        target.name,
        moment(elements.epoch, day_of_year) if elements else "-",
        from_now(elements.epoch, now) if elements else "-",
        target.elements_source or "-",
        "; ".join(f"{each.name} ({_count(len(each.steps), 'step')})" for each in target.sequences)
        or "-",
    ]


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
