"""Entering one record, and showing what it changes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, tell

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.record import Record
    from contactd.mission.changes import Change

by = click.option("--by", metavar="NAME", help="Whose record it is.  [default: your user name]")
note = click.option("--note", metavar="TEXT", default="", help="A note, kept in the record.")
dry_run = click.option(
    "--dry-run", is_flag=True, help="Show what the record would change, and record nothing."
)
key = click.option(
    "--key", metavar="TEXT", default="", help="The same key twice writes one record."
)
why = click.option("--why", metavar="TEXT", default="", help="Why, kept in the record.")
_OPTIONS = (options.config, options.output_format, options.day_of_year, dry_run, key, note, by)


@dataclass(frozen=True)
class Manner:
    """Who records, whether for good, and how the answer is printed."""

    by: str | None
    note: str
    dry_run: bool
    day_of_year: bool
    form: str
    config_dir: str
    key: str = ""


def recording(function: Callable[..., Any]) -> Callable[..., Any]:
    """The options that all records share, gathered in one argument ``manner``.

    It stands directly above the function, so that these options come last in the help.
    """

    @wraps(function)
    def with_manner(**given: Any) -> Any:
        manner = Manner(**{each.name: given.pop(each.name) for each in fields(Manner)})
        return function(manner=manner, **given)

    decorated: Callable[..., Any] = with_manner
    for option in _OPTIONS:
        decorated = option(decorated)
    return decorated


def keep(configuration: Configuration, records: Sequence[Record], manner: Manner) -> list[Record]:
    """Put records into the ledger, all or none; in a dry run they keep the number 0.

    Raises:
        LedgerError: if the ledger cannot be written.
    """
    from contactd.faces.cli.store import open_ledger

    if manner.dry_run:
        return list(records)
    ledger = open_ledger(configuration)
    is_new = ledger is None
    ledger = ledger or open_ledger(configuration, create=True)
    assert ledger is not None
    with ledger:
        stored = ledger.append(records)
    # Two ledgers are easily mistaken for one: what was written is said with where.
    tell(f"Ledger: {ledger.name}{' (new: no service has written to it yet)' if is_new else ''}")
    return stored


def print_record(record: Record, manner: Manner) -> None:
    """Print a record that moves no forecast."""
    from contactd.mission.documents.service import record_form

    form = record_form(record)
    if manner.form == "json":
        nothing: dict[str, list[str]] = {"sentences": [], "notes": [], "before": [], "after": []}
        as_json({"record": form, "stored": bool(record.number), **nothing})
    elif manner.form == "csv":
        as_csv([name for name in form if name != "body"], [form])
    else:
        from contactd.faces.cli.tables import console, say
        from contactd.mission.statements import confirmation

        say(console(), confirmation(record), style="bold")


def print_change(record: Record, change: Change, manner: Manner) -> None:
    """Print a record and what it changes."""
    if manner.form == "table":
        from contactd.faces.cli.change_table import show_change
        from contactd.faces.cli.tables import console

        show_change(console(), record, change, manner.day_of_year)
        return
    from contactd.mission.documents.models import Step as StepDocument
    from contactd.mission.documents.service import change_form, record_form

    told = change_form(change)
    if manner.form == "json":
        as_json({"record": record_form(record), "stored": bool(record.number), **told})
        return
    from contactd.faces.cli.forecast import flat

    rows: list[dict[str, object]] = []
    names: list[str] = []
    for moment in ("before", "after"):
        names, flattened = flat(tuple(StepDocument.__annotations__), told[moment])
        rows += [{"when": moment, **row} for row in flattened]
    as_csv(["when", *names], rows)
