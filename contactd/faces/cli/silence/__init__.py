"""``contactd silence …``: alerts that are raised and kept, but not sent for a while."""

from __future__ import annotations

import click

from contactd.faces.cli.lazy import Lazy, LazyGroup

_HERE = "contactd.faces.cli.silence"

COMMANDS = {
    "set": Lazy(f"{_HERE}.set", "Hold alerts back until a time, and say why."),
    "lift": Lazy(f"{_HERE}.lift", "End a silence early."),
    "list": Lazy(f"{_HERE}.list", "Silences in force or to come."),
}


@click.group("silence", cls=LazyGroup, table=COMMANDS)
def command() -> None:
    """Hold alerts back for a while: they are raised and kept, but not sent.

    Warnings are sent all the same, unless that is asked for.
    """
