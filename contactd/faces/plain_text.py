"""Text that shows what it holds: controls and marks that turn the reading direction are escaped.

A name or a note may hold characters that nobody sees: those that move a terminal's cursor (C0 and
C1 controls) or show a text in another order than it is stored (U+202E and its kin). What is written
here shows them as escapes, so that two texts that look alike are alike.

Source: Unicode Standard Annex 9 (directional formatting characters), Unicode Technical Report 36.
"""

from __future__ import annotations

import json
import re
import unicodedata
from typing import Any

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""A cell that begins so is a formula to a spreadsheet."""

_JOINERS = "\u200c\u200d"  # They join or part letters of Persian, Hindi and others; they stay.


def clean(text: str, keep: str = "") -> str:
    """The text with each character that cannot be seen as an escape, such as ``\\u202e``.

    Args:
        keep: characters that stay as they are, such as a line's end.
    """
    if text.isprintable():
        return text
    return "".join(
        repr(letter)[1:-1]
        if unicodedata.category(letter)[0] == "C" and letter not in keep + _JOINERS
        else letter
        for letter in text
    )


_UNSEEN = re.compile(
    "[\x7f-\x9f\xad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb"
    "\ud800-\udfff\U000e0000-\U000e007f]"
)


def json_text(document: Any, indent: int | None = None) -> str:
    """A document as JSON whose unseen characters are escaped; it means the same.

    Raises:
        ValueError: for a number that JSON cannot say.
    """
    separators = (",", ":") if indent is None else None
    text = json.dumps(
        document, ensure_ascii=False, allow_nan=False, indent=indent, separators=separators
    )
    return _UNSEEN.sub(lambda found: json.dumps(found[0])[1:-1], text)


def csv_text(value: object) -> str:
    """A cell's text, shown as it is, and none that a spreadsheet would take for a formula.

    A list is joined by ``; ``, a mapping is JSON text, also in a list; None is empty.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        text = "; ".join(json_text(each) if isinstance(each, dict) else str(each) for each in value)
    else:
        text = json_text(value) if isinstance(value, dict) else str(value)
    guarded = not isinstance(value, int | float) and text.startswith(FORMULA_STARTS)
    return clean(f"'{text}" if guarded else text, keep="\n")
