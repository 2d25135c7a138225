"""Moments and lengths of time as text, rounded to the safe side; and back.

Whoever shows a time says which way it may err. A last moment is shown with ``NO_LATER``, an
earliest with ``NO_LATER``, a latest and the end of a keep-clear with ``NO_EARLIER``; ``outer``
and ``inner`` do that for both ends of an interval. ``NEAREST`` is for what is an estimate anyway
(a nominal, a TCA) and for what was stated to the digit.

Floats of this century resolve 0.12 µs (see :mod:`contactd.core.instants`), so that rounding looks
at moments to the microsecond: a moment within 0.5 µs of a whole second is that second.

A length of time is elapsed SI seconds, leap seconds counted: a countdown of 86 400 s that runs
across a leap second ends at 23:59:59 of the next day, and so it is shown.

Sources: RFC 3339 for moments; CCSDS 301.0-B-4, 3.5 (ASCII code B) for the day-of-year form;
ISO 8601 for ``PT6H30M``; the SI Brochure, 9th edition, 5.4.3 for "number, space, unit".
"""

from __future__ import annotations

import math
import re
from enum import Enum
from itertools import pairwise

from contactd.core.instants import DAY_S, FOREVER, from_text, to_text

__all__ = [
    "NEAREST",
    "NO_EARLIER",
    "NO_LATER",
    "NotALength",
    "NotAMoment",
    "Safe",
    "error",
    "from_now",
    "inner",
    "last_digit_s",
    "length",
    "machine",
    "moment",
    "on_day_of",
    "outer",
    "read_length",
    "read_moment",
    "recorded",
    "recorded_finite",
    "rounded",
    "written",
]

RESOLUTION_S = 5e-7
WITHOUT_DATE_S = DAY_S / 2
FARTHEST_S = 50 * 366 * DAY_S


class Safe(Enum):
    """Which way a text may differ from the moment, or the length, that it stands for."""

    NO_LATER = "no later"  # never later, never longer, than it is
    NO_EARLIER = "no earlier"  # never earlier, never shorter, than it is
    NEAREST = "nearest"


NO_LATER, NO_EARLIER, NEAREST = Safe


class NotALength(ValueError):
    """A text that is no length of time; ``hint`` says why, where that helps."""

    def __init__(self, hint: str = "") -> None:
        super().__init__(hint)
        self.hint = hint


class NotAMoment(ValueError):
    """A text that is no moment; the message is a sentence that says what to write instead."""


def rounded(value: float, safe: Safe, unit: float = 1.0) -> float:
    """A moment or a length (s) as a multiple of ``unit`` (s), to the safe side."""
    count = value / unit
    near = round(count)
    if safe is NEAREST or abs(value - near * unit) <= RESOLUTION_S:
        whole = near
    else:
        whole = math.floor(count) if safe is NO_LATER else math.ceil(count)
    return whole * unit


def moment(
    t_s: float,
    safe: Safe,
    digits: int = 0,
    *,
    now_s: float | None = None,
    day_of_year: bool = False,
) -> str:
    """``2026-12-03 08:00:00Z``, or ``08:00:00Z`` within twelve hours of ``now_s``.

    Args:
        t_s: instant (s).
        digits: decimals of the second, 0 to 6.
        now_s: the present instant (s); None for the date in any case.
        day_of_year: ``2026-337 08:00:00Z`` in place of month and day.
    """
    text = to_text(rounded(t_s, safe, 10.0**-digits), digits, day_of_year).replace("T", " ")
    if now_s is not None and abs(t_s - now_s) <= WITHOUT_DATE_S:
        return text.partition(" ")[2]
    return text


def machine(t_s: float | None, safe: Safe) -> str | None:
    """RFC 3339 UTC text with milliseconds and Z; None for None, and for what has no end."""
    if t_s is None or not math.isfinite(t_s) or t_s >= FOREVER:
        return None
    return to_text(rounded(t_s, safe, 1e-3), 3)


def recorded(t_s: float) -> str:
    """RFC 3339 UTC text with microseconds, as records keep it: as close as an instant resolves."""
    return to_text(t_s, 6)


def recorded_finite(t_s: float) -> str | None:
    """As :func:`recorded`; None for what is not finite."""
    return recorded(t_s) if math.isfinite(t_s) else None


def outer(a_s: float, b_s: float, *, now_s: float | None = None, day_of_year: bool = False) -> str:
    """``08:00:00Z to 08:02:10Z``, widened to whole seconds: an expiry, a keep-clear, a doubt.

    What has no stated end: ``08:00:00Z until further notice``.
    """
    if b_s >= FOREVER:
        first = moment(a_s, NO_LATER, now_s=now_s, day_of_year=day_of_year)
        return f"{first} until further notice"
    return _range(rounded(a_s, NO_LATER), rounded(b_s, NO_EARLIER), 0, now_s, day_of_year)


def inner(a_s: float, b_s: float, *, now_s: float | None = None, day_of_year: bool = False) -> str:
    """As :func:`outer`, narrowed to whole seconds: a command window, a span that is covered.

    One that holds no whole second is given to the millisecond.
    """
    first, last = rounded(a_s, NO_EARLIER), rounded(b_s, NO_LATER)
    if first > last:
        first, last = rounded(a_s, NO_EARLIER, 1e-3), rounded(b_s, NO_LATER, 1e-3)
        return _range(first, max(first, last), 3, now_s, day_of_year)
    return _range(first, last, 0, now_s, day_of_year)


def _range(a_s: float, b_s: float, digits: int, now_s: float | None, day_of_year: bool) -> str:
    first = moment(a_s, NEAREST, digits, now_s=now_s, day_of_year=day_of_year)
    last = moment(b_s, NEAREST, digits, now_s=now_s, day_of_year=day_of_year)
    if " " in first and " " not in last:
        last = moment(b_s, NEAREST, digits, day_of_year=day_of_year)
    if " " in first and first.partition(" ")[0] == last.partition(" ")[0]:
        last = last.partition(" ")[2]
    return f"{first} to {last}"


def on_day_of(text: str, reference: str) -> str:
    """A moment's text shortened by the day of another one: ``10:09:22Z`` or ``00:09:22Z +1d``.

    Both are texts of :func:`moment` with their dates, in the same form.
    """
    day, clock = text.split(" ")
    before = reference.split(" ")[0]
    if day == before:
        return clock
    apart_s = from_text(f"{day}T00:00:00Z") - from_text(f"{before}T00:00:00Z")
    return f"{clock} {round(apart_s / DAY_S):+d}d"


def length(seconds: float, safe: Safe) -> str:
    """``2 d 3 h``, ``1 h 20 min``, ``4 min 11 s``, ``45 s``: two units; ``-45 s`` below zero.

    ``NO_LATER`` never gives more than it is (a margin, a time that is left), ``NO_EARLIER`` never
    less (an age, a shortfall), also below zero.
    """
    if safe is NEAREST:
        size = round(abs(seconds))
    else:
        up = (safe is NO_EARLIER) is (seconds >= 0)
        size = _two_units(abs(seconds), NO_EARLIER if up else NO_LATER)
    text = _units(size)
    return f"-{text}" if seconds < 0 and size else text


_SIZES = (("d", 86_400), ("h", 3600), ("min", 60), ("s", 1))


def _two_units(seconds: float, safe: Safe) -> int:
    whole = int(rounded(seconds, safe))
    for unit_s, smaller_s in ((86_400, 3600), (3600, 60)):
        if whole >= unit_s:
            return int(rounded(whole, safe, smaller_s))
    return whole


def _units(whole: int) -> str:
    for (name, size), (smaller, smaller_size) in pairwise(_SIZES):
        if whole >= size:
            rest = whole % size // smaller_size
            return f"{whole // size} {name}" + (f" {rest} {smaller}" if rest else "")
    return f"{whole} s"


def from_now(t_s: float, now_s: float, safe: Safe) -> str:
    """``in 8 min 12 s``, ``now``, ``8 min 12 s ago``; with ``NO_LATER`` never more than is left."""
    apart_s = t_s - now_s
    if abs(apart_s) < 1.0:
        return "now"
    text = length(apart_s, safe)
    return f"{text[1:]} ago" if text.startswith("-") else f"in {text}"


def error(seconds: float) -> str:
    """`` ± 12 s``, never less than it is; nothing below half a second."""
    return f" ± {length(seconds, NO_EARLIER)}" if seconds >= 0.5 else ""


_UNITS_S = {"w": 7 * DAY_S, "d": DAY_S, "h": 3600.0, "min": 60.0, "m": 60.0, "s": 1.0, "ms": 1e-3}
_PART = re.compile(
    r"(?P<amount>\d{1,12}(?:\.\d{1,9})?)\s{0,9}(?P<unit>[a-zA-Zµ]{0,16})\s{0,9}", re.ASCII
)
_ISO = re.compile(
    r"P(?=[\dT])(?:(?P<w>\d{1,9})W)?(?:(?P<d>\d{1,9})D)?"
    r"(?:T(?=\d)(?:(?P<h>\d{1,9})H)?(?:(?P<min>\d{1,9})M)?(?:(?P<s>\d{1,12}(?:[.,]\d{1,9})?)S)?)?"
)
_LONGEST_TEXT = 64


def read_length(text: str) -> tuple[float, float]:
    """A length of time as people write it, and what one step of its last digit is worth.

    ``6h 30min`` is (23 400.0, 60.0); also ``90s``, ``4m 11s``, ``1.5h`` and ISO 8601 ``PT6H30M``.

    Returns:
        (the length, the worth of its last digit), both in seconds.

    Raises:
        NotALength: for anything else; the hint says what is wrong.
    """
    text = text.strip()
    if len(text) > _LONGEST_TEXT:
        raise NotALength(f"at most {_LONGEST_TEXT} characters")
    if text.upper().startswith("P"):
        return _read_iso(text.upper())
    if text.startswith(("-", "+")):
        raise NotALength("without a sign")
    if re.fullmatch(r"\d+:\d\d(:\d\d(\.\d+)?)?", text, re.ASCII):
        raise NotALength("a colon belongs to the time of day: write 12h 30min")
    position, total, smallest, digit_s = 0, 0.0, math.inf, 0.0
    while position < len(text):
        part = _PART.match(text, position)
        if part is None:
            raise NotALength
        amount, unit = part["amount"], part["unit"]
        if not unit:
            raise NotALength(f"add a unit to {amount}: d, h, min, s or ms")
        if unit not in _UNITS_S:
            raise NotALength(_unit_hint(unit))
        if _UNITS_S[unit] >= smallest:
            raise NotALength("each unit once, the greatest first")
        smallest = _UNITS_S[unit]
        total += float(amount) * smallest
        digit_s = smallest * 10.0 ** -len(amount.partition(".")[2])
        position = part.end()
    if not text:
        raise NotALength
    return total, digit_s


def _unit_hint(unit: str) -> str:
    if unit.lower() in ("mn", "minute", "minutes", "mins"):
        return "minutes are written min"
    if unit.lower() in ("mo", "month", "months", "y", "yr", "year", "years"):
        return "months and years have no fixed length: write days, d"
    return f"{unit} is no unit here: d, h, min, s or ms"


def _read_iso(text: str) -> tuple[float, float]:
    found = _ISO.fullmatch(text)
    if found is None:
        fixed = re.fullmatch(r"P[0-9.,]*[YM].*", text) is None
        raise NotALength("" if fixed else "months and years have no fixed length: write days")
    total, digit_s = 0.0, 0.0
    for unit, amount in found.groupdict().items():
        if amount:
            number = amount.replace(",", ".")
            total += float(number) * _UNITS_S[unit]
            digit_s = _UNITS_S[unit] * 10.0 ** -len(number.partition(".")[2])
    return total, digit_s


def last_digit_s(text: str) -> float:
    """What one step of the last digit of a written length is worth: 60 s in ``3h 12min``.

    Raises:
        NotALength: as :func:`read_length`.
    """
    return read_length(text)[1]


def written(seconds: float) -> str:
    """A length as files and command lines take it: ``1d 2h``, ``6h 30min``, ``0.5s``."""
    left, parts = seconds, []
    for unit, unit_s in (("d", DAY_S), ("h", 3600.0), ("min", 60.0)):
        if left >= unit_s:
            parts.append(f"{left // unit_s:.0f}{unit}")
            left %= unit_s
    if left or not parts:
        parts.append(f"{left:.9f}".rstrip("0").rstrip(".") + "s")
    return " ".join(parts)


def read_moment(text: str, now_s: float | None = None) -> float:
    """The instant (s) of RFC 3339 text, of its day-of-year form, or relative to now.

    Args:
        now_s: the present instant (s), for ``now``, ``+6h`` and ``-1d``; None refuses those.

    Raises:
        NotAMoment: for anything else; the message says what to write.
    """
    given = text.strip()
    shown = repr(given if len(given) <= _LONGEST_TEXT else given[: _LONGEST_TEXT - 1] + "…")
    example = "2026-12-03T08:00:00Z" + (" or +6h" if now_s is not None else "")
    if now_s is not None and given.lower() == "now":
        return now_s
    if now_s is not None and given[:1] in ("+", "-"):
        try:
            size_s = read_length(given[1:])[0]
        except NotALength as refusal:
            why = f" ({refusal.hint})" if refusal.hint else ""
            raise NotAMoment(f"{shown} is not a time{why}. Use {example}.") from None
        if size_s > FARTHEST_S:
            raise NotAMoment(f"{shown} is more than 50 years from now. Use {example}.")
        return now_s + (size_s if given[0] == "+" else -size_s)
    if len(given) > _LONGEST_TEXT:
        raise NotAMoment(f"{shown} is not a time. Use {example}.")
    try:
        return from_text(given)
    except OverflowError:
        raise NotAMoment(f"{shown} is not a time that the calendar has. Use {example}.") from None
    except ValueError as problem:
        reason = str(problem)
        if "zone" in reason:
            raise NotAMoment(f"{shown} has no time zone. For UTC, add Z at its end.") from None
        why = reason.partition(": ")[2]
        raise NotAMoment(
            f"{shown} is not a time{f' ({why})' if why else ''}. Use {example}."
        ) from None
