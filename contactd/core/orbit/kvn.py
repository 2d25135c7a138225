"""Key-value notation of orbit messages, as CCSDS 502.0-B-3 section 7 sets it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from contactd.core.errors import InputError
from contactd.core.orbit.text import Field, as_text, check_printable, numbered_lines, shorten

MAX_LINE_LENGTH: Final = 254
"""7.3.2."""

_KEYWORD = re.compile(r"[A-Z][A-Z0-9_]*")
_WITH_UNIT = re.compile(r"(?P<value>[^\[\]\s]+)\s+\[(?P<unit>.+)\]")


def kvn_fields(text: str | bytes) -> Iterator[Field]:
    """Fields of a message in order; comments and blank lines are left out.

    A keyword without a value comes with the text "": as if it were not there.

    A line that is no assignment (a state of an ephemeris, ``META_START``) comes as a field whose
    key is "" and whose text is the line.

    Raises:
        InputError: for a line that breaks the rules of section 7.3 or 7.4.
    """
    for number, line in numbered_lines(as_text(text)):
        bare = line.strip(" ")
        if not bare:
            continue
        check_printable(line, number)
        if len(line) > MAX_LINE_LENGTH:
            raise InputError(
                f"at most {MAX_LINE_LENGTH} characters a line",
                f"{len(line)} characters",
                line=number,
                column=MAX_LINE_LENGTH + 1,
            )
        if bare == "COMMENT" or bare.startswith("COMMENT "):
            continue
        if "=" not in bare:
            yield Field("", bare, number, line.index(bare) + 1)
            continue
        yield _assignment(line, number)


def _assignment(line: str, number: int) -> Field:
    before, _, after = line.partition("=")
    key = before.strip(" ")
    if _KEYWORD.fullmatch(key) is None:
        column = len(line) - len(line.lstrip(" ")) + 1
        raise InputError(
            "a keyword of capital letters, digits and underscores before '='",
            repr(shorten(key)),
            line=number,
            column=column,
        )
    value = after.strip(" ")
    column = len(before) + 2 + (len(after) - len(after.lstrip(" ")) if value else 0)
    with_unit = _WITH_UNIT.fullmatch(value)
    if with_unit is None:
        return Field(key, value, number, column)
    return Field(key, with_unit["value"], number, column, with_unit["unit"])
