"""``contactd record observed``: observed AOS and LOS of many contacts, from a table."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from contactd.core.errors import InputError
from contactd.faces.cli.output import as_csv, as_json, complain, tell
from contactd.faces.cli.record.entry import Manner, keep, recording
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import read_configuration

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.record import Record

MOST_ROWS = 10_000
MOST_BYTES = 4 << 20
NEEDED = ("target", "station")
EDGES = ("aos", "los")
FIELDS = ("number", "kind", "target", "station", "at", "error_s")


@click.command("observed")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@recording
def command(file: Path, manner: Manner) -> None:
    """Record observed AOS and LOS of many contacts, from FILE (CSV).

    Its heading line names the columns target, station, aos, los (either may be empty), and, where
    they are known, error (such as 0.5s) and note. All rows are recorded, or none. Each counts as
    with `contactd record aos` and `contactd record los`.
    """
    configuration = read_configuration(manner.config_dir)
    try:
        records = _records(file, configuration, manner)
    except InputError as error:
        complain(str(error.at(str(file))))
        tell("Nothing was recorded.")
        return
    follow = _following(configuration, records)
    stored = keep(configuration, [*records, *follow], manner)[: len(records)]
    rows = [_row(each) for each in stored]
    if manner.form == "json":
        as_json(rows)
    elif manner.form == "csv":
        as_csv(FIELDS, rows)
    else:
        from contactd.faces.cli.tables import console, say
        from contactd.mission.statements import confirmation

        for each in stored:
            say(console(), confirmation(each), hang=2)


def _records(file: Path, configuration: Configuration, manner: Manner) -> list[Record]:
    if file.stat().st_size > MOST_BYTES:
        raise InputError(f"at most {MOST_BYTES >> 20} MiB", f"{file.stat().st_size} bytes")
    try:
        text = file.read_bytes().decode("utf-8-sig")
        rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    except (UnicodeDecodeError, csv.Error) as problem:
        raise InputError("a table (CSV) in UTF-8", str(problem)) from None
    if not rows or not all(name in rows[0] for name in NEEDED):
        found = "no rows" if not rows else ", ".join(map(str, rows[0]))
        raise InputError("a heading line with target, station, aos, los, and rows", found, line=1)
    if len(rows) > MOST_ROWS:
        raise InputError(f"at most {MOST_ROWS} rows", str(len(rows)))
    made: list[Record] = []
    for line, row in enumerate(rows, start=2):
        made += _of_row(line, row, configuration, manner)
    return made


def _of_row(
    line: int, row: Mapping[str, Any], configuration: Configuration, manner: Manner
) -> list[Record]:
    from dataclasses import replace

    from pydantic import ValidationError

    from contactd.faces.cli.record.stating import scene_for
    from contactd.mission.statements import BY_VERB, record_of

    given = {
        str(key): (value or "").strip() for key, value in row.items() if isinstance(value, str)
    }
    made = []
    for edge in EDGES:
        if not given.get(edge):
            continue
        fields = {"target": given["target"], "station": given["station"], "at": given[edge]}
        fields |= {name: given[name] for name in ("error", "note") if given.get(name)}
        try:
            statement = BY_VERB[edge](**fields)
        except ValidationError as problem:
            first = problem.errors()[0]
            key = edge if first["loc"][0] == "at" else str(first["loc"][0])
            said = first["msg"].removeprefix("Value error, ")
            raise InputError(said, repr(given.get(key, "")), key, line=line) from None
        scene = scene_for(statement, configuration, replace(manner, key=""), current().now)
        try:
            record = record_of(statement, scene)
        except InputError as problem:
            raise replace(problem, line=line, column=0) from None
        identity = f"entered:{scene.author}:{manner.key}:{line}:{edge}" if manner.key else ""
        made.append(replace(record, identity=identity))
    if not made:
        raise InputError("an aos or a los", "neither", line=line)
    return made


def _following(configuration: Configuration, records: list[Record]) -> list[Record]:
    """The corrections that follow, where the settings adopt what observations teach."""
    if not configuration.settings.elements.adopt_corrections:
        return []
    from contactd.faces.cli.store import state_of
    from contactd.mission.statements.heard import correction_that_follows

    known = state_of(configuration).observations
    made: list[Record] = []
    for name in dict.fromkeys(each.subject for each in records):
        new = [each for each in records if each.subject == name]
        made += correction_that_follows(
            configuration.targets[name],
            configuration.stations,
            (*known.get(name, ()), *new),
            current().now,
            new[-1].identity,
        )
    return made


def _row(record: Record) -> dict[str, Any]:
    return {
        "number": record.number or None,
        "kind": record.kind,
        "target": record.subject,
        "station": record.body["station"],
        "at": record.body["at"],
        "error_s": record.body["error_s"],
    }
