"""``contactd ledger show``: the last records, for people."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.ledger.choosing import Choice, choosing, chosen_records, existing_ledger
from contactd.faces.cli.output import as_csv, as_json
from contactd.mission.timetext import NEAREST, moment

if TYPE_CHECKING:
    from contactd.core.record import Record

LONGEST_BODY = 240


@click.command("show")
@choosing
@click.option(
    "--limit",
    "last",
    type=click.IntRange(1, 100_000),
    default=20,
    show_default=True,
    metavar="COUNT",
    help="Show at most this many.",
)
@options.day_of_year
@options.output_format
@options.config
def command(choice: Choice, last: int, day_of_year: bool, form: str, config_dir: str) -> None:
    """Show the last records, the newest at the end."""
    with existing_ledger(config_dir) as ledger:
        records = list(deque(chosen_records(ledger, choice), maxlen=last))
    if form == "table":
        _show(records, day_of_year)
        return
    from contactd.faces.cli.ledger.export import FIELDS
    from contactd.mission.documents.service import record_form

    forms = [record_form(record) for record in records]
    as_json(forms) if form == "json" else as_csv(FIELDS, forms)


def _show(records: list[Record], day_of_year: bool) -> None:
    from contactd.faces.cli.tables import console, say

    screen = console()
    width = max([len(str(record.number)) for record in records], default=1)
    for record in records:
        at = moment(record.at, NEAREST, day_of_year=day_of_year)
        head = f"{record.number:>{width}}  {at}  {record.kind}"
        say(screen, f"{head}  {record.subject}, by {record.author}", style="bold", hang=width + 2)
        words = _in_words(record.body)
        if words:
            say(screen, words, indent=width + 2)
    if not records:
        say(screen, "No record.")


def _in_words(body: Mapping[str, Any]) -> str:
    text = "; ".join(
        f"{name} {value}"
        for name, value in body.items()
        if isinstance(value, str | int | float) and value != ""
    )
    return text if len(text) <= LONGEST_BODY else text[: LONGEST_BODY - 3] + "..."
