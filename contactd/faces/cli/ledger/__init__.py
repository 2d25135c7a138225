"""``contactd ledger …``: looking at the ledger itself."""

from __future__ import annotations

import click

from contactd.faces.cli.lazy import Lazy, LazyGroup

_HERE = "contactd.faces.cli.ledger"

COMMANDS = {
    "show": Lazy(f"{_HERE}.show", "The last records, for people."),
    "verify": Lazy(f"{_HERE}.verify", "Check that nothing was changed or taken out."),
    "backup": Lazy(f"{_HERE}.backup", "Copy the ledger while the service runs."),
    "restore": Lazy(f"{_HERE}.restore", "Put a copy in the place of the ledger."),
    "export": Lazy(f"{_HERE}.export", "Every record, as JSON lines or CSV."),
}


@click.group("ledger", cls=LazyGroup, table=COMMANDS)
def command() -> None:
    """Look at the ledger: every fact, in the order in which it was learned."""
