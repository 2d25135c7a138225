"""Which records: the options that choose them, and the records that they choose."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import refuse
from contactd.faces.cli.situation import read_configuration

if TYPE_CHECKING:
    from contactd.core.record import Record
    from contactd.records.ledger import Ledger


class Choice(NamedTuple):
    """What records are wanted; None asks for nothing."""

    kinds: tuple[str, ...]
    subject: str | None
    after: int
    start: float | None
    end: float | None

    def takes(self, record: Record) -> bool:
        """Whether a record is wanted."""
        about = self.subject is None or (record.subject + "/").casefold().startswith(
            self.subject.casefold() + "/"
        )
        return (
            about
            and (not self.kinds or record.kind in self.kinds)
            and (self.start is None or record.at >= self.start)
            and (self.end is None or record.at < self.end)
        )


def choosing(function: Callable[..., Any]) -> Callable[..., Any]:
    """The options that choose records, gathered in one argument ``choice``."""

    def with_choice(**given: Any) -> Any:
        names = ("kinds", "subject", "after", "start", "to")
        return function(choice=Choice(*(given.pop(name) for name in names)), **given)

    with_choice.__doc__ = function.__doc__
    with_choice.__click_params__ = getattr(function, "__click_params__", [])  # type: ignore[attr-defined]
    decorated: Callable[..., Any] = with_choice
    for option in (
        options.instant("to", "Show only what was recorded before this time."),
        options.instant("from", "Show only what was recorded at this time or later."),
        click.option(
            "--after",
            type=click.IntRange(0),
            default=0,
            metavar="NUMBER",
            help="Show only records after this one.",
        ),
        click.option(
            "--subject",
            metavar="NAME",
            help="Show only records about this target, target/sequence or target/sequence/step.",
        ),
        click.option(
            "--kind", "kinds", multiple=True, metavar="KIND", help="Only this kind (repeatable)."
        ),
    ):
        decorated = option(decorated)
    return decorated


def existing_ledger(config_dir: str) -> Ledger:
    """The configuration's ledger, which must be there.

    Raises:
        click.UsageError: if there is none yet.
        LedgerError: if it cannot be used.
    """
    from contactd.faces.cli.store import open_ledger

    configuration = read_configuration(config_dir)
    ledger = open_ledger(configuration)
    if ledger is None:
        refuse(f"No ledger at {configuration.store_url}. Check --config.")
    return ledger


def chosen_records(ledger: Ledger, choice: Choice) -> Iterator[Record]:
    """The records that are wanted, in order."""
    return (record for record in ledger.records(choice.after) if choice.takes(record))
