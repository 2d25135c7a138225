"""Entering one record about a sequence, and showing what it changes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, complain
from contactd.faces.cli.session import current

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.outlook import TargetOutlook
    from contactd.core.planning import Target
    from contactd.core.record import Record

by = click.option("--by", metavar="NAME", help="Whose record it is.  [default: your user name]")
dry_run = click.option(
    "--dry-run", is_flag=True, help="Show what the record would change, and record nothing."
)


def recording(function: Callable[..., Any]) -> Callable[..., Any]:
    """The options that all records share, gathered in one argument ``manner``.

    It stands directly above the function, so that these options come last in the help.
    """

    @wraps(function)
    def with_manner(**given: Any) -> Any:
        manner = Manner(**{each.name: given.pop(each.name) for each in fields(Manner)})
        return function(manner=manner, **given)

    decorated: Callable[..., Any] = with_manner
    for option in (options.config, options.output_format, options.day_of_year, dry_run, by):
        decorated = option(decorated)
    return decorated


@dataclass(frozen=True)
class Manner:
    """Who records, whether for good, and how the answer is printed."""

    by: str | None
    dry_run: bool
    day_of_year: bool
    form: str
    config_dir: str


def enter(
    configuration: Configuration,
    target: Target,
    kind: str,
    subject: str,
    body: Mapping[str, Any],
    manner: Manner,
) -> None:
    """Store a record and print what it changes.

    The exit code is 1 if the record contradicts what was known: it is kept all the same, but the
    state before it stays in force.
    """
    from contactd.core.record import Record
    from contactd.faces.cli.forecast import outlook_of
    from contactd.faces.cli.ledger import author, open_ledger, state_of
    from contactd.records.state import fold

    now = current().now
    record = Record(now, kind, subject, author(manner.by), dict(body))
    state = state_of(configuration)
    before = outlook_of(target, configuration, state, now)
    if not manner.dry_run:
        ledger = open_ledger(configuration, create=True)
        assert ledger is not None
        with ledger:
            [record] = ledger.append([record])
    after = outlook_of(target, configuration, fold(state, [record]), now)
    _print(record, before, after, manner)
    news = _conflicts(after) - _conflicts(before)
    for conflict in sorted(news):
        complain(f"caution: {conflict}")


def _conflicts(outlook: TargetOutlook) -> set[str]:
    return {text for forecast in outlook.forecasts for text in forecast.conflicts}


def _print(record: Record, before: TargetOutlook, after: TargetOutlook, manner: Manner) -> None:
    if manner.form == "table":
        from contactd.faces.cli.change_table import show_change
        from contactd.faces.cli.tables import console

        show_change(console(), record, before, after, current().now, manner.day_of_year)
        return
    from contactd.faces.contract import FORECAST_FIELDS, forecast_forms, record_form

    forms = {"before": forecast_forms(before.forecasts), "after": forecast_forms(after.forecasts)}
    if manner.form == "json":
        as_json({"record": record_form(record), "stored": bool(record.number), **forms})
        return
    from contactd.faces.cli.forecast import flat

    rows: list[dict[str, object]] = []
    names: list[str] = []
    for when, steps in forms.items():
        names, flattened = flat(FORECAST_FIELDS, steps)
        rows += [{"when": when, **row} for row in flattened]
    as_csv(["when", *names], rows)
