"""Tables that fit the screen: a column that does not fit is left out, never cut in the middle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from contactd.faces.cli.screen import Line, Screen, standard_output
from contactd.faces.plain_text import clean

Cell = str | tuple[str, str]
"""Text, or text and a style (``bold red``); the style shows on a terminal only."""

GAP = 2
COMFORTABLE_WRAP_WIDTH = 15
LEAST_WRAP_WIDTH = 8
STYLES = {
    "covered": "green",
    "at risk": "yellow",
    "uncovered": "bold red",
    "advisory": "cyan",
    "caution": "yellow",
    "warning": "bold red",
}


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Attributes:
        heading: what it is, in at most a few words.
        unit: the unit of its figures, shown beneath the heading.
        right: whether its cells stand at the right edge (figures do).
        wraps: whether a long text may go on in the next line (names may).
        optional: 0 if it is always shown; of the others, the highest number goes first when the
            screen is too narrow.
    """

    heading: str
    unit: str = ""
    right: bool = False
    wraps: bool = False
    optional: int = 0


def console() -> Screen:
    """Standard output."""
    return standard_output()


def show(columns: Sequence[Column], rows: Sequence[Sequence[Cell]], screen: Screen) -> None:
    """Print a table; every line fits ``screen.width`` wherever its least columns do."""
    texts = [[clean(cell if isinstance(cell, str) else cell[0]) for cell in row] for row in rows]
    kept, widths = _fit(columns, texts, screen.width)
    shown = [(index, columns[index], widths[index]) for index in kept]
    lines: list[Line] = []
    headings = [column.heading for column in columns]
    units = [column.unit for column in columns]
    for heading in [headings, units] if any(units) else [headings]:
        lines += _lines(shown, heading, ["bold"] * len(columns))
    rule = ["-" * widths.get(index, 0) for index in range(len(columns))]
    lines += _lines(shown, rule, ["dim"] * len(columns))
    for row, plain in zip(rows, texts, strict=True):
        lines += _lines(shown, plain, ["" if isinstance(cell, str) else cell[1] for cell in row])
    screen.write(lines)


def _lines(
    shown: Sequence[tuple[int, Column, int]], texts: Sequence[str], styles: Sequence[str]
) -> list[Line]:
    """One row as lines of (text, style): more than one where a text has to go on."""
    from rich.cells import cell_len

    cells = [_wrapped(texts[index], width) for index, _, width in shown]
    lines: list[Line] = []
    for number in range(max(map(len, cells))):
        line: list[tuple[str, str]] = []
        for (index, column, width), cell in zip(shown, cells, strict=True):
            text = cell[number] if number < len(cell) else ""
            blank = " " * (width - cell_len(text))
            around = (blank, "") if column.right else ("", blank)
            gap = " " * GAP if line else ""
            line += [(gap + around[0], ""), (text, styles[index]), (around[1], "")]
        lines.append(line)
    return lines


def _wrapped(text: str, width: int) -> list[str]:
    """The text in pieces no wider than that, broken at words, and within a word if need be."""
    from rich.cells import cell_len, chop_cells

    if cell_len(text) <= width:
        return [text]
    lines = [""]
    for word in text.split():
        for piece in chop_cells(word, width):
            joined = f"{lines[-1]} {piece}" if lines[-1] and piece == word else None
            if joined is not None and cell_len(joined) <= width:
                lines[-1] = joined
            elif lines[-1]:
                lines.append(piece)
            else:
                lines[-1] = piece
    return lines


def say(screen: Screen, text: str, style: str = "", indent: int = 0, hang: int = 0) -> None:
    """Print a sentence, wrapped at words; later lines stand ``hang`` columns further in."""
    import textwrap

    lines = textwrap.wrap(
        clean(text),
        max(screen.width, 20),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + hang),
        break_on_hyphens=False,
    )
    screen.write([[(line, style)] for line in lines or [""]])


def say_line(screen: Screen, text: str, style: str = "") -> None:
    """Print one line as it is, however long: for what other programs read, such as places."""
    screen.write([[(clean(text), style)]])


def _fit(
    columns: Sequence[Column], texts: Sequence[Sequence[str]], screen_width: int
) -> tuple[list[int], dict[int, int]]:
    """Which columns to show, and how wide each is.

    Names give way first, down to a comfortable width; then optional columns go; then names give
    way down to their longest word, and at last within it.
    """
    from rich.cells import cell_len

    natural: dict[int, int] = {}
    longest_word: dict[int, int] = {}
    for index, column in enumerate(columns):
        heading = max(cell_len(column.heading), cell_len(column.unit), 1)
        cells = [row[index] for row in texts]
        natural[index] = max([heading, *map(cell_len, cells)])
        words = [cell_len(word) for cell in cells for word in cell.split()]
        longest_word[index] = max([heading, *words])
    kept = list(natural)
    widths = dict(natural)

    def excess() -> int:
        return sum(widths[index] for index in kept) + GAP * (len(kept) - 1) - screen_width

    def squeeze(least: dict[int, int]) -> None:
        while excess() > 0:
            yielding = [i for i in kept if columns[i].wraps and widths[i] > least[i]]
            if not yielding:
                return
            widths[max(yielding, key=lambda index: widths[index])] -= 1

    comfortable = {i: max(COMFORTABLE_WRAP_WIDTH, longest_word[i]) for i in natural}
    while True:
        squeeze(comfortable)
        if excess() <= 0 or not any(columns[index].optional for index in kept):
            break
        kept.remove(max(kept, key=lambda index: columns[index].optional))
        widths.update(natural)
    squeeze(longest_word)
    squeeze(dict.fromkeys(natural, LEAST_WRAP_WIDTH))
    return kept, widths
