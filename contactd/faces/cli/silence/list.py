"""``contactd silence list``: silences in force or to come."""

from __future__ import annotations

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json
from contactd.faces.cli.session import current
from contactd.faces.cli.silence.standing import standing
from contactd.faces.cli.situation import read_configuration
from contactd.mission.timetext import NEAREST, moment, on_day_of

FIELDS = ("number", "from", "until", "targets", "kinds", "warnings", "author", "why")


@click.command("list")
@options.day_of_year
@options.output_format
@options.config
def command(day_of_year: bool, form: str, config_dir: str) -> None:
    """List the silences that are in force or still to come."""
    from contactd.mission.timetext import machine

    silences = standing(read_configuration(config_dir), current().now)
    if form != "table":
        forms = [
            {
                "number": each.number,
                "from": machine(each.begins, NEAREST),
                "until": machine(each.ends, NEAREST),
                "targets": None if each.targets is None else sorted(each.targets),
                "kinds": None if each.kinds is None else sorted(each.kinds),
                "warnings": each.warnings,
                "author": each.author,
                "why": each.why,
            }
            for each in silences
        ]
        as_json(forms) if form == "json" else as_csv(FIELDS, forms)
        return
    from contactd.faces.cli.tables import Column, console, say, show

    screen = console()
    if not silences:
        say(screen, "No silence stands.")
        return
    columns = (
        Column("No.", right=True),
        Column("From", "UTC"),
        Column("Until", "UTC"),
        Column("Holds back", wraps=True),
        Column("By", wraps=True),
        Column("Why", wraps=True),
    )
    rows = []
    for each in silences:
        start = moment(each.begins, NEAREST, day_of_year=day_of_year)
        what = ", ".join(sorted(each.targets)) if each.targets else "all targets"
        what += f"; {', '.join(sorted(each.kinds))}" if each.kinds else ""
        what += "; warnings too" if each.warnings else ""
        until = on_day_of(moment(each.ends, NEAREST, day_of_year=day_of_year), start)
        rows.append([str(each.number), start, until, what, each.author, each.why])
    show(columns, rows, screen)
