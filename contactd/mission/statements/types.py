"""The types of a statement's fields, and how each is read from text.

Eight: a moment, a length of time, a reading (a length whose last digit tells its error), the names
of a step and of a station, one of a few words, text, and a number. Beside them the two names that
say what a statement is about.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, ValidationInfo, WithJsonSchema

from contactd.core.instants import FOREVER, from_text
from contactd.mission.timetext import NotALength, NotAMoment, read_length, read_moment

LONGEST_NAME = 200
LONGEST_TEXT = 2_000
MOST_NAMES = 100
EARLIEST = from_text("1980-01-01T00:00:00Z")
LATEST = FOREVER
NOW = "now"
"""Key of the validation's context under which a present (instant, s) allows relative moments."""


@dataclass(frozen=True, slots=True)
class Stated:
    """A moment (instant, s) or a length (s), and what its last digit as written is worth (s)."""

    value_s: float
    digit_s: float = 0.0

    @property
    def half_digit_s(self) -> float:
        """Half of the last digit: how far off it may be where nobody says."""
        return self.digit_s / 2


@dataclass(frozen=True, slots=True)
class Type:
    """Marks a field's type."""

    name: str


def stated_moment(text: str, now_s: float | None = None) -> Stated:
    """A moment as somebody wrote it; relative ones (``-20min``, ``15min ago``) with ``now_s``.

    Raises:
        NotAMoment: for what is none; the message says what to write.
    """
    given = text.strip()
    if now_s is not None and given.endswith(" ago"):
        given = "-" + given.removesuffix(" ago").strip()
    value_s = read_moment(given, now_s)
    if not EARLIEST <= value_s <= LATEST:
        raise NotAMoment(f"{given!r} is out of range. Use a time from 1980 to 2200.")
    if given[:1] in ("+", "-"):
        return Stated(value_s, read_length(given[1:])[1])
    clock, dot, digits = given.rpartition(".")
    decimals = len(digits) - len(digits.lstrip("0123456789")) if dot and clock else 0
    return Stated(value_s, 10.0**-decimals)


def stated_length(text: str) -> Stated:
    """A length as somebody wrote it.

    Raises:
        ValueError: for what is none; the message says what to write.
    """
    try:
        return Stated(*read_length(text))
    except NotALength as refused:
        hint = f" ({refused.hint})" if refused.hint else ""
        raise ValueError(f"a duration such as 6h 30min, 90s or PT6H30M{hint}") from None


def _moment(value: Any, info: ValidationInfo) -> Stated:
    if isinstance(value, Stated):
        return value
    if not isinstance(value, str):
        raise ValueError("a time as text, such as 2026-12-03T08:00:00Z")
    return stated_moment(value, (info.context or {}).get(NOW))


def _stated_length(value: Any) -> Stated:
    if isinstance(value, Stated):
        return value
    if not isinstance(value, str):
        raise ValueError("a duration as text with its unit, such as 40min or 40s")
    return stated_length(value)


def _length(value: Any) -> float:
    return value if isinstance(value, float) else _stated_length(value).value_s


_TIME = {"type": "string", "format": "date-time", "examples": ["2026-12-03T08:00:00Z"]}
_DURATION = {"type": "string", "examples": ["6h 30min", "90s", "PT6H30M"]}

Moment = Annotated[Stated, Type("moment"), BeforeValidator(_moment), WithJsonSchema(_TIME)]
Length = Annotated[float, Type("length"), BeforeValidator(_length), WithJsonSchema(_DURATION)]
Reading = Annotated[
    Stated, Type("reading"), BeforeValidator(_stated_length), WithJsonSchema(_DURATION)
]
_Named = Field(max_length=LONGEST_NAME)
TargetName = Annotated[str, Type("target"), _Named]
SequenceName = Annotated[str, Type("sequence"), _Named]
StepName = Annotated[str, Type("step"), _Named]
StationName = Annotated[str, Type("station"), _Named]
Text = Annotated[str, Type("text"), Field(max_length=LONGEST_TEXT)]
Count = Annotated[int, Type("count"), Field(ge=1, le=2**53)]
