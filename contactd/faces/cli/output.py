"""What commands print: one answer on standard output, everything else on standard error."""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterable, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NoReturn

import click

from contactd.faces.cli.session import current
from contactd.faces.plain_text import clean, csv_text, json_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from contactd.core.errors import ContactdError

DONE, WRONG, MISUSED = 0, 1, 2
"""Exit codes: done, found something wrong, used wrongly."""


def as_json(document: object) -> None:
    """Print a document as JSON."""
    click.echo(json_text(document, indent=2))


def as_csv(fields: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> None:
    """Print rows as CSV with a heading line.

    None is empty, a list is joined by ``; ``, a mapping is JSON text, also in a list. Text that a
    spreadsheet would take for a formula gets an apostrophe before it.
    """
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(fields)
    for row in rows:
        writer.writerow([csv_text(row[field]) for field in fields])


def tell(message: str) -> None:
    """A line on standard error."""
    click.echo("\n".join(clean(line) for line in message.splitlines()), err=True)


def complain(message: str) -> None:
    """A line on standard error about something wrong; the answer goes on, the exit code is 1.

    What was told already is not told again: one ledger is asked for several things.
    """
    current().wrong = True
    if message not in current().complaints:
        current().complaints.add(message)
        tell(message)


def report(error: ContactdError) -> None:
    """An error on standard error: one line each, and what to do."""
    from contactd.core.errors import InputError, InputErrors

    complain(str(error))
    if isinstance(error, InputErrors) or (isinstance(error, InputError) and error.path):
        tell(correct(len(error.errors) if isinstance(error, InputErrors) else 1))


def correct(count: int) -> str:
    """What to do about so many errors in files."""
    wrong = "the error" if count == 1 else f"these {count} errors"
    return f"Correct {wrong}, then run `contactd check`."


@contextmanager
def errors_reported() -> Iterator[None]:
    """Turn an operating error into its lines on standard error and exit code 1.

    What was stated wrongly on the command line itself, in no file, is exit code 2.
    """
    from contactd.core.errors import ContactdError, InputError

    try:
        yield
    except ContactdError as error:
        report(error)
        stated = isinstance(error, InputError) and not error.path
        raise click.exceptions.Exit(MISUSED if stated else WRONG) from None


def refuse(message: str) -> NoReturn:
    """Used wrongly: say so and exit with 2."""
    raise click.UsageError(message, click.get_current_context(silent=True))
