"""Standard output as people see it: how wide it is, and whether it shows colours."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from rich.console import Console

Line = Sequence[tuple[str, str]]
"""A line as pieces of (text, style); styles are rich's, such as ``bold red``."""

PLAIN_WIDTH = 80


class Screen:
    """A place to write lines to.

    Attributes:
        width: in columns; 80 where it is no terminal, unless COLUMNS says otherwise.
    """

    def __init__(self, file: TextIO, width: int, console: Console | None = None) -> None:
        self.width = width
        self._file = file
        self._console = console

    def write(self, lines: Iterable[Line]) -> None:
        """Write lines as they are, without their styles where no colours are shown."""
        if self._console is None:
            plain = ("".join(text for text, _ in line).rstrip() for line in lines)
            self._file.write("".join(f"{line}\n" for line in plain))
            return
        from rich.text import Text

        for line in lines:
            text = Text.assemble(*line)
            text.rstrip()
            self._console.print(text, soft_wrap=True)


def standard_output() -> Screen:
    """Standard output: coloured on a terminal only (NO_COLOR and FORCE_COLOR are honoured).

    Only then is rich's console imported, which takes longer than a small table.
    """
    if sys.stdout.isatty() or os.environ.get("FORCE_COLOR"):
        from rich.console import Console

        console = Console(file=sys.stdout, highlight=False, markup=False, emoji=False)
        return Screen(sys.stdout, console.width, console if console.color_system else None)
    columns = os.environ.get("COLUMNS", "")
    return Screen(
        sys.stdout, int(columns) if columns.isdecimal() and columns != "0" else PLAIN_WIDTH
    )
