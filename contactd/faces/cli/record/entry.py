"""Entering one record, and showing what it changes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from functools import wraps
from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import as_csv, as_json, complain, refuse
from contactd.faces.cli.session import current
from contactd.faces.cli.situation import one, read_configuration, sequence_of

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.outlook import TargetOutlook
    from contactd.core.record import Record
    from contactd.core.sequences.model import Sequence
    from contactd.core.target import Target

by = click.option("--by", metavar="NAME", help="Whose record it is.  [default: your user name]")
note = click.option("--note", metavar="TEXT", default="", help="A note, kept in the record.")
dry_run = click.option(
    "--dry-run", is_flag=True, help="Show what the record would change, and record nothing."
)
why = click.option("--why", metavar="TEXT", default="", help="Why, kept in the record.")
step = click.option("--step", "step_name", metavar="STEP", help="Of this step alone.")


@dataclass(frozen=True)
class Manner:
    """Who records, whether for good, and how the answer is printed."""

    by: str | None
    note: str
    dry_run: bool
    day_of_year: bool
    form: str
    config_dir: str


def recording(function: Callable[..., Any]) -> Callable[..., Any]:
    """The options that all records share, gathered in one argument ``manner``.

    It stands directly above the function, so that these options come last in the help.
    """

    @wraps(function)
    def with_manner(**given: Any) -> Any:
        manner = Manner(**{each.name: given.pop(each.name) for each in fields(Manner)})
        return function(manner=manner, **given)

    decorated: Callable[..., Any] = with_manner
    for option in (options.config, options.output_format, options.day_of_year, dry_run, note, by):
        decorated = option(decorated)
    return decorated


def of_sequence(function: Callable[..., Any]) -> Callable[..., Any]:
    """The arguments TARGET and SEQUENCE."""
    sequence = click.argument("sequence_name", metavar="SEQUENCE")
    return click.argument("target_name", metavar="TARGET")(sequence(function))


@dataclass(frozen=True)
class Matter:
    """What a record about a sequence is about."""

    configuration: Configuration
    target: Target
    sequence: Sequence

    @classmethod
    def of(cls, target_name: str, sequence_name: str, manner: Manner) -> Matter:
        """The sequence that was named.

        Raises:
            click.UsageError: for names that are not known; it says the nearest.
        """
        configuration = read_configuration(manner.config_dir)
        target = one("target", target_name, configuration.targets)
        return cls(configuration, target, sequence_of(target, sequence_name))

    def step(self, given: str) -> str:
        """The name of the step that was named; raises as :meth:`of` does."""
        return one("step", given, {each.name: each for each in self.sequence.steps}).name

    def enter(
        self, kind: str, body: Mapping[str, Any], manner: Manner, step_name: str | None = None
    ) -> None:
        """Store a record about the sequence, or one of its steps, and print what it changes.

        The exit code is 1 if the record contradicts what was known: it is kept all the same, but
        the state before it stays in force.
        """
        from contactd.core.sequences.statements import subject_of

        subject = subject_of(self.sequence, step_name)
        enter(self.configuration, self.target, kind, subject, body, manner)


def enter(
    configuration: Configuration,
    target: Target,
    kind: str,
    subject: str,
    body: Mapping[str, Any],
    manner: Manner,
) -> None:
    """Store a record about a target, and print what it changes in the target's forecasts."""
    from contactd.faces.cli.forecast import outlook_of
    from contactd.faces.cli.store import state_of
    from contactd.records.state import fold

    now = current().now
    state = state_of(configuration)
    before = outlook_of(target, configuration, state, now)
    record = store(configuration, kind, subject, body, manner)
    after = outlook_of(target, configuration, fold(state, [record]), now)
    _print(record, before, after, manner)
    for conflict in sorted(_conflicts(after) - _conflicts(before)):
        complain(f"caution: {conflict}")


def store(
    configuration: Configuration, kind: str, subject: str, body: Mapping[str, Any], manner: Manner
) -> Record:
    """Put a record into the ledger, unless this is a dry run; its number is then 0.

    Raises:
        LedgerError: if the ledger cannot be written.
    """
    from contactd.core.record import Record
    from contactd.faces.cli.store import author

    record = Record(current().now, kind, subject, author(manner.by), body)
    return store_record(configuration, record, manner)


def store_record(configuration: Configuration, record: Record, manner: Manner) -> Record:
    """As :func:`store`, for a record that is made already; the note is added to it."""
    from contactd.faces.cli.store import open_ledger

    if manner.note.strip():
        record = replace(record, body={**record.body, "note": manner.note.strip()})
    if manner.dry_run:
        return record
    ledger = open_ledger(configuration, create=True)
    assert ledger is not None
    with ledger:
        [stored] = ledger.append([record])
    return stored


def need_text(name: str, given: str) -> str:
    """A text that must say something.

    Raises:
        click.UsageError: if it says nothing.
    """
    if not given.strip():
        refuse(f"found no {name}; expected {name} TEXT: it is part of the record")
    return given.strip()


def print_record(record: Record, manner: Manner) -> None:
    """Print a record that moves no forecast."""
    from contactd.mission.documents.service import record_form

    form = record_form(record)
    if manner.form == "json":
        as_json({"record": form, "stored": bool(record.number), "before": [], "after": []})
    elif manner.form == "csv":
        as_csv([name for name in form if name != "body"], [form])
    else:
        from contactd.faces.cli.change_table import recorded_line
        from contactd.faces.cli.tables import console, say

        say(console(), recorded_line(record), style="bold")


def _conflicts(outlook: TargetOutlook) -> set[str]:
    return {text for forecast in outlook.forecasts for text in forecast.conflicts}


def _print(record: Record, before: TargetOutlook, after: TargetOutlook, manner: Manner) -> None:
    if manner.form == "table":
        from contactd.faces.cli.change_table import show_change
        from contactd.faces.cli.tables import console

        show_change(console(), record, before, after, current().now, manner.day_of_year)
        return
    from contactd.mission.documents.models import Step as StepDocument
    from contactd.mission.documents.service import record_form
    from contactd.mission.documents.steps import forecast_forms

    forms = {"before": forecast_forms(before.forecasts), "after": forecast_forms(after.forecasts)}
    if manner.form == "json":
        as_json({"record": record_form(record), "stored": bool(record.number), **forms})
        return
    from contactd.faces.cli.forecast import flat

    rows: list[dict[str, object]] = []
    names: list[str] = []
    for moment, steps in forms.items():
        names, flattened = flat(tuple(StepDocument.__annotations__), steps)
        rows += [{"when": moment, **row} for row in flattened]
    as_csv(["when", *names], rows)
