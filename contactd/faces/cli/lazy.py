"""A command group that imports a command only when that command runs.

``contactd contacts`` must not pay for what ``contactd run`` needs, and ``contactd --help`` must pay
for nothing at all: the one-line helps stand in the group's table, the code stands elsewhere.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from importlib import import_module
from typing import NamedTuple

import click


class Lazy(NamedTuple):
    """Where a command lives (``command`` in that module), and its one-line help."""

    module: str
    summary: str


class LazyGroup(click.Group):
    """A group over a table of :class:`Lazy` commands, listed in the table's order."""

    def __init__(self, *args: object, table: Mapping[str, Lazy], **options: object) -> None:
        super().__init__(*args, **options)  # type: ignore[arg-type]
        self.table = table

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        entry = self.table.get(cmd_name)
        if entry is None:
            return None
        command = import_module(entry.module).command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name in self.table or name.startswith("-"):
            return super().resolve_command(ctx, args)
        near = difflib.get_close_matches(name, self.table, n=1)
        hint = f"Did you mean {near[0]!r}?" if near else f"Use one of: {', '.join(self.table)}."
        raise click.UsageError(f"No command {name!r}. {hint}", ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.summary) for name, entry in self.table.items()])
