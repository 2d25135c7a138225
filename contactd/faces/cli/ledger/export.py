"""``contactd ledger export``: every record, for other programs."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from contactd.faces.cli import options
from contactd.faces.cli.ledger.choosing import Choice, choosing, chosen_records, existing_ledger
from contactd.faces.cli.output import as_csv
from contactd.faces.plain_text import json_text

if TYPE_CHECKING:
    from contactd.core.record import Record

FIELDS = ("number", "at", "kind", "subject", "author", "identity", "body")


@click.command("export")
@choosing
@click.option(
    "--format",
    "form",
    type=click.Choice(("jsonl", "csv")),
    default="jsonl",
    show_default=True,
    help="JSON lines, one record each, or CSV with the body as JSON text.",
)
@options.config
def command(choice: Choice, form: str, config_dir: str) -> None:
    """Print records in the order of the ledger, each on a line of its own."""
    from contactd.mission.documents.service import record_form

    with existing_ledger(config_dir) as ledger:
        records: Iterable[Record] = chosen_records(ledger, choice)
        if form == "csv":
            as_csv(FIELDS, (record_form(record) for record in records))
            return
        for record in records:
            sys.stdout.write(json_text(record_form(record)) + "\n")
