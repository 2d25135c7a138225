"""Durations as people write them: ``6h 30min``, ``90s``, ``1d``, or ISO 8601 ``PT6H30M``."""

from __future__ import annotations

import math
import re

from contactd.core.instants import DAY_S


class Refused(ValueError):
    """A value that is not taken; ``hint`` says why, where that helps."""

    def __init__(self, hint: str = "") -> None:
        super().__init__(hint)
        self.hint = hint


_UNITS_S = {"w": 7 * DAY_S, "d": DAY_S, "h": 3600.0, "min": 60.0, "s": 1.0, "ms": 1e-3}
_PARTS = re.compile(r"(?P<amount>\d{1,12}(?:\.\d{1,9})?)\s*(?P<unit>[a-zA-Zµ]*)\s*", re.ASCII)
_ISO = re.compile(
    r"P(?=[\dT])(?:(?P<w>\d{1,9})W)?(?:(?P<d>\d{1,9})D)?"
    r"(?:T(?=\d)(?:(?P<h>\d{1,9})H)?(?:(?P<min>\d{1,9})M)?(?:(?P<s>\d{1,12}(?:[.,]\d{1,9})?)S)?)?"
)


def seconds_of(text: str) -> float:
    """Seconds of a duration such as ``6h 30min``, ``90s``, ``1d`` or ISO 8601 ``PT6H30M``.

    Raises:
        Refused: for anything else; the hint says what is wrong.
    """
    text = text.strip()
    if text.upper().startswith("P"):
        return _iso_seconds(text.upper())
    if text.startswith(("-", "+")):
        raise Refused("without a sign")
    if re.fullmatch(r"\d+:\d\d(:\d\d(\.\d+)?)?", text, re.ASCII):
        raise Refused("a colon belongs to the time of day: write 12h 30min")
    position, total, smallest = 0, 0.0, math.inf
    while position < len(text):
        part = _PARTS.match(text, position)
        if part is None:
            raise Refused
        unit = part["unit"]
        if not unit:
            raise Refused(f"add a unit to {part['amount']}: d, h, min, s or ms")
        if unit not in _UNITS_S:
            raise Refused(_unit_hint(unit))
        if _UNITS_S[unit] >= smallest:
            raise Refused("each unit once, the greatest first")
        smallest = _UNITS_S[unit]
        total += float(part["amount"]) * smallest
        position = part.end()
    if not text:
        raise Refused
    return total


def _unit_hint(unit: str) -> str:
    if unit.lower() in ("m", "mn", "minute", "minutes", "mins"):
        return "minutes are written min"
    if unit.lower() in ("mo", "month", "months", "y", "yr", "year", "years"):
        return "months and years have no fixed length: write days, d"
    return f"{unit} is no unit here: d, h, min, s or ms"


def _iso_seconds(text: str) -> float:
    found = _ISO.fullmatch(text)
    if found is None:
        fixed = re.fullmatch(r"P[0-9.,]*[YM].*", text) is None
        raise Refused("" if fixed else "months and years have no fixed length: write days")
    return sum(
        float(amount.replace(",", ".")) * _UNITS_S[unit]
        for unit, amount in found.groupdict().items()
        if amount
    )


def duration_text(seconds: float) -> str:
    """Seconds as a duration is written in the files: ``1d 2h``, ``6h 30min``, ``0.5s``."""
    left, parts = seconds, []
    for unit, unit_s in (("d", DAY_S), ("h", 3600.0), ("min", 60.0)):
        if left >= unit_s:
            parts.append(f"{left // unit_s:.0f}{unit}")
            left %= unit_s
    if left or not parts:
        parts.append(f"{left:.9f}".rstrip("0").rstrip(".") + "s")
    return " ".join(parts)
