"""What all pictures share: one style, UTC axes, words instead of colour alone, and saving."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC
from pathlib import Path
from typing import Any

from contactd.core import instants
from contactd.core.errors import InputError
from contactd.core.intervals import IntervalSet

FORMS = (".png", ".svg")
# Okabe & Ito's palette, made to be told apart by colour-blind eyes (Color Universal Design, 2008).
BLUE, ORANGE, GREEN, RED, GREY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#777777"
DAYS_FROM_POSIX_S = 86_400.0


def check(path: Path) -> None:
    """Whether a picture can be written there.

    Raises:
        InputError: for a form that is not known, or without the library.
    """
    if path.suffix.lower() not in FORMS:
        raise InputError("a file that ends in .png or .svg", str(path), "--plot")
    try:
        import matplotlib  # noqa: F401
    except ModuleNotFoundError:
        expected = "matplotlib (pip install 'contactd[plots]')"
        raise InputError(expected, "no such library", "--plot") from None


@contextmanager
def figure(path: Path, title: str, width: float = 10.0, height: float = 5.0) -> Iterator[Any]:
    """A figure that is saved to the path when the block ends."""
    check(path)
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib.figure import Figure

    drawn = Figure(figsize=(width, height), layout="constrained")
    drawn.suptitle(title, fontsize=11)
    yield drawn
    # No date in the file: the same picture is the same file.
    metadata = {"Date": None} if path.suffix.lower() == ".svg" else {"Software": "contactd"}
    with mpl.rc_context({"svg.hashsalt": "contactd", "svg.fonttype": "path"}):
        drawn.savefig(path, dpi=150, metadata=metadata)


def day(instant: float) -> float:
    """An instant (s) as matplotlib counts dates: days since 1970 in UTC."""
    return instants.to_unix(instant) / DAYS_FROM_POSIX_S


def utc_axis(axes: Any, start: float, end: float) -> None:
    """Let the horizontal axis show UTC from one instant (s) to another."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    locator = AutoDateLocator(tz=UTC)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(locator, tz=UTC)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(formatter)
    axes.set_xlim(day(start), day(end))
    axes.set_xlabel("UTC")
    axes.grid(axis="x", color="#dddddd", linewidth=0.6)


def bars(axes: Any, row: float, spans: IntervalSet, **style: Any) -> None:
    """Intervals as bars in a row."""
    pieces = [(day(start), day(end) - day(start)) for start, end in spans]
    if pieces:
        axes.broken_barh(pieces, (row - 0.35, 0.7), **style)


def rows(axes: Any, names: Sequence[str]) -> None:
    """Name the rows, the first at the top."""
    axes.set_yticks(range(len(names)), labels=list(names))
    axes.set_ylim(len(names) - 0.4, -0.6)
