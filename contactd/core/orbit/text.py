"""Places, lines and numbers in the text formats: what every reader of orbit messages shares."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from typing import Final

from contactd.core.errors import InputError
from contactd.core.instants import from_text

MAX_INPUT_BYTES = 64 * 1024 * 1024
"""Longest text that is read: about 400 000 element sets, or a year of one-minute states."""

TIME_SYSTEMS: Final = {"UTC": 0.0, "TAI": 0.0, "GPS": -19.0, "TT": 32.184, "TDB": 32.184}
"""Known time systems, and how far each is ahead of TAI (s; UTC goes by the leap seconds).

Source: IERS Conventions 2010 chapter 10; GPS time as in IS-GPS-200 (TAI minus 19 s).
"""

_EPOCH_LABEL = datetime(2000, 1, 1, 12)  # noqa: DTZ001 - a label of no zone
_LINE_END = re.compile(r"\r\n|\n\r|\r|\n")
# Each of bounded length, and no two parts that could share digits: linear in whatever is given.
_NUMBER = re.compile(r"[+-]?(?:\d{1,64}(?:\.\d{0,64})?|\.\d{1,64})(?:[eE][+-]?\d{1,3})?")
_WHOLE = re.compile(r"[+-]?\d{1,18}")
_CCSDS_TIME = re.compile(r"\d{4}-(?:\d\d-\d\d|\d{3})T\d\d:\d\d:\d\d(?:\.\d{0,32})?Z?")
_FRACTION_DIGITS = 12


@dataclass(frozen=True, slots=True)
class Field:
    """One value as written, and where.

    Attributes:
        key: keyword; for elements of XML, the innermost name.
        text: the value without surrounding blanks.
        unit: as written beside the value, "" where there is none.
        line, column: of the value, from 1.
    """

    key: str
    text: str
    line: int
    column: int
    unit: str = ""

    def error(self, expected: str, found: str | None = None) -> InputError:
        """An error at this field's place."""
        shown = repr(shorten(self.text)) if found is None else found
        return InputError(expected, shown, self.key, line=self.line, column=self.column)


def shorten(text: str, limit: int = 60) -> str:
    """The text, cut with an ellipsis where it is longer than ``limit`` characters."""
    return text if len(text) <= limit else text[: limit - 1] + "…"


def as_text(text: str | bytes) -> str:
    """Text of a message given as text or bytes; a byte order mark is dropped.

    Raises:
        InputError: if it is too long, or not ASCII or UTF-8.
    """
    check_size(text)
    if isinstance(text, str):
        return text.removeprefix("\ufeff")
    try:
        return text.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = text[: error.start]
        line = before.count(b"\n") + 1
        column = error.start - (before.rfind(b"\n") + 1) + 1
        found = f"byte 0x{text[error.start]:02X}"
        raise InputError("ASCII or UTF-8 text", found, line=line, column=column) from None


def check_size(text: str | bytes) -> None:
    """Refuse what is longer than :data:`MAX_INPUT_BYTES`.

    Raises:
        InputError: if it is.
    """
    if len(text) > MAX_INPUT_BYTES:
        raise InputError(f"at most {MAX_INPUT_BYTES} bytes", f"{len(text)} bytes")


def numbered_lines(text: str) -> Iterator[tuple[int, str]]:
    """Lines with their numbers from 1, ended by CR, LF, CRLF or LFCR (CCSDS 502.0-B-3, 7.3.7)."""
    return enumerate(_LINE_END.split(text), start=1)


def check_printable(line: str, number: int) -> None:
    """Refuse characters that are not printable ASCII or blanks (CCSDS 502.0-B-3, 7.3.4).

    Raises:
        InputError: at the first such character.
    """
    if line.isascii() and line.isprintable():
        return
    for column, character in enumerate(line, start=1):
        if not (" " <= character <= "~"):
            name = "a tab" if character == "\t" else f"character U+{ord(character):04X}"
            raise InputError("printable ASCII characters", name, line=number, column=column)


def number_of(field: Field, least: float | None = None, most: float | None = None) -> float:
    """The field as a finite number, within bounds (included) where they are given.

    Raises:
        InputError: if it is not a number as CCSDS 502.0-B-3 section 7.5 writes them, or outside.
    """
    if _NUMBER.fullmatch(field.text) is None:
        raise field.error("a number such as 14.30818609 or 3.0E-05")
    value = float(field.text)
    if abs(value) == float("inf"):
        raise field.error("a number that fits double precision")
    if (least is not None and value < least) or (most is not None and value > most):
        bounds = (
            f"from {least:g} to {most:g}"
            if least is not None and most is not None
            else (f"of at least {least:g}" if least is not None else f"of at most {most:g}")
        )
        raise field.error(f"a number {bounds}")
    return value


def whole_of(field: Field, least: int, most: int) -> int:
    """The field as a whole number within bounds (included).

    Raises:
        InputError: if it is not.
    """
    if _WHOLE.fullmatch(field.text) is None or not least <= int(field.text) <= most:
        raise field.error(f"a whole number from {least} to {most}")
    return int(field.text)


def utc_of(field: Field) -> float:
    """The field, a CCSDS time in UTC, as an instant (s); Z may be left out (7.5.10).

    Raises:
        InputError: if it is no such time.
    """
    if _CCSDS_TIME.fullmatch(field.text) is None:
        raise field.error("a UTC time such as 2026-12-03T08:00:00.000 or 2026-337T08:00:00.000")
    text = field.text.removesuffix("Z")
    whole, _, fraction = text.partition(".")
    try:
        return from_text(f"{whole}{'.' + fraction[:_FRACTION_DIGITS] if fraction else ''}Z")
    except ValueError as error:
        raise field.error(f"a UTC time that exists ({error})") from None


def instant_of(field: Field, time_system: str) -> float:
    """The field, a CCSDS time in one of :data:`TIME_SYSTEMS`, as an instant (s).

    TDB is taken as TT, from which it strays by less than 2 ms.

    Raises:
        InputError: if it is no such time.
    """
    if time_system == "UTC":
        return utc_of(field)
    if _CCSDS_TIME.fullmatch(field.text) is None:
        raise field.error("a time such as 2026-12-03T08:00:00.000 or 2026-337T08:00:00.000")
    date, _, clock = field.text.removesuffix("Z").partition("T")
    try:
        # Without leap seconds the label is plain arithmetic on the calendar.
        day = datetime.strptime(date, "%Y-%m-%d" if date.count("-") == 2 else "%Y-%j")  # noqa: DTZ007
    except ValueError:
        raise field.error("a day that the calendar has") from None
    hour, minute, second = clock.split(":")
    if int(hour) > 23 or int(minute) > 59 or float(second) >= 60:
        raise field.error("hours to 23, minutes and seconds to 59")
    label = (day - _EPOCH_LABEL).total_seconds() + 3600.0 * int(hour) + 60.0 * int(minute)
    return label + float(second) - TIME_SYSTEMS[time_system]


def suggestion(word: str, known: Iterable[str]) -> str:
    """`` (did you mean X?)`` for the nearest known word, or "" when none is near."""
    near = get_close_matches(word.upper(), list(known), n=1, cutoff=0.7)
    return f" (did you mean {near[0]}?)" if near else ""


def designator_to_cospar(text: str) -> str:
    """``98067A`` as ``1998-067A``; what is not so written is given back unchanged."""
    match = re.fullmatch(r"(\d\d)(\d{3})([A-Z]{1,3})", text)
    if match is None:
        return text
    year = int(match[1])
    return f"{year + (1900 if year >= 57 else 2000)}-{match[2]}{match[3]}"


def designator_to_tle(text: str) -> str:
    """``1998-067A`` as ``98067A``; what is not so written is given back unchanged."""
    match = re.fullmatch(r"(?:19|20)(\d\d)-(\d{3})([A-Z]{1,3})", text)
    return text if match is None else f"{match[1]}{match[2]}{match[3]}"
