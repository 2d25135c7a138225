"""What is told in a rehearsal says so."""

from __future__ import annotations

MARK = "REHEARSAL: "


def marked(what: str) -> str:
    """The text with the mark of a rehearsal, once."""
    return what if MARK in what else f"{MARK}{what}"


def unmarked(what: str) -> str:
    """The text without the mark."""
    return what.removeprefix(MARK)
