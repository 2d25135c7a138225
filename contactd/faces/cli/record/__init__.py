"""``contactd record …``: entering into the ledger what somebody learned, decided or saw."""

from __future__ import annotations

import click

from contactd.faces.cli.lazy import Lazy, LazyGroup

_HERE = "contactd.faces.cli.record"

KINDS = {
    "start": Lazy(f"{_HERE}.start", "A sequence has started."),
}


@click.group("record", cls=LazyGroup, table=KINDS)
def command() -> None:
    """Enter into the ledger what was learned, decided or seen.

    Each shows what the forecast was before and is after it. Nothing recorded is ever changed or
    removed; a later record may correct an earlier one.
    """
