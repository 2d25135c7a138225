"""Two-line and three-line element sets: text to :class:`ElementSet` and back.

Fields and columns follow Hoots and Roehrich, *Spacetrack Report No. 3* (1980), and Vallado,
Crawford, Hujsak and Kelso, *Revisiting Spacetrack Report #3*, AIAA 2006-6753, appendix B; the
letters of Alpha-5 catalogue numbers (A = 10 … Z = 33, without I and O) are the common practice of
those who publish element sets.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta
from typing import Final, NoReturn

from contactd.core.errors import InputError
from contactd.core.instants import DAY_S, from_utc, to_utc
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.text import (
    Field,
    as_text,
    check_printable,
    designator_to_cospar,
    designator_to_tle,
    number_of,
    numbered_lines,
    shorten,
)

LINE_LENGTH: Final = 69
NAME_LENGTH: Final = 26
"""Longest line read as a name: ``0 `` and 24 characters."""
FIRST_YEAR: Final = 57
"""Two-digit years from here on are 19xx, those below 20xx."""
GREATEST_CATALOGUE_NUMBER: Final = 339_999
GREATEST_MEAN_MOTION: Final = 20.0

_ALPHA_5: Final = "ABCDEFGHJKLMNPQRSTUVWXYZ"
_SGP4_EPHEMERIS_TYPES: Final = frozenset("0123 ")
_POWER_FIELD = re.compile(r"([ +-])([ \d]{5})([ +-])(\d)")
_ZERO_POWER: Final = " 00000-0"
_DECIMAL = re.compile(r"[+-]?\d*\.\d*")

# Columns (from 1, both included) that must be blank: line 1, line 2.
_BLANK_COLUMNS: Final = {1: (2, 9, 18, 33, 44, 53, 62, 64), 2: (2, 8, 17, 26, 34, 43, 52)}


def parse_tle(text: str | bytes) -> tuple[ElementSet, ...]:
    """Element sets of a text of two- and three-line sets, in the order of the text.

    Trailing blanks, empty lines, CRLF, a leading byte order mark, ``0 NAME`` lines, comment lines
    that begin with ``#`` and blanks in the place of leading zeros are taken as the field writes
    them. Checksums must be right.

    Returns:
        The sets; ``name`` is "" where no name line stands before a set, and the international
        designator is written as in an OMM (``1998-067A``).

    Raises:
        InputError: at the first thing that is wrong, with line and column; also when there is no
            set at all, or one is meant for another theory than SGP4.
    """
    sets: list[ElementSet] = []
    name: Field | None = None
    first: _Line | None = None
    for number, raw in numbered_lines(as_text(text)):
        line = raw.rstrip(" ")
        if not line or (line.startswith("#") and first is None):
            continue
        check_printable(line, number)
        kind = _kind_of(line)
        if first is not None:
            if kind != 2:
                raise InputError(
                    f"line 2 of the set whose line 1 is line {first.number}",
                    repr(shorten(line)),
                    line=number,
                    column=1,
                )
            sets.append(_elements(name.text if name else "", first, _Line(line, number, 2)))
            name = first = None
        elif kind == 1:
            first = _Line(line, number, 1)
        else:
            if kind == 2 or name is not None:
                raise InputError(
                    f"line 1 of an element set ({LINE_LENGTH} characters, beginning with '1 ')",
                    repr(shorten(line)),
                    line=number,
                    column=1,
                )
            name = _name_field(line, number)
    if first is not None:
        raise InputError("line 2 of the set", "the end of the text", line=first.number, column=1)
    if name is not None:
        raise name.error("line 1 and line 2 of a set after its name")
    if not sets:
        raise InputError("an element set of two or three lines", "no set")
    return tuple(sets)


def format_tle(elements: ElementSet) -> tuple[str, str]:
    """Lines 1 and 2, of 69 characters each.

    Angles are rounded to 1e-4 degree, the epoch to 1e-8 day, as the format can hold them; numbers
    of revolutions and of element sets keep their last five and four digits.

    Raises:
        InputError: if a value does not fit the format, such as a catalogue number above 339 999.
    """
    epoch = _format_epoch(elements.epoch)
    number = _format_catalogue_number(elements.catalogue_number)
    if len(elements.classification) != 1:
        _unfit("classification", elements.classification, "one character")
    designator = designator_to_tle(elements.international_designator)
    if len(designator) > 8 or not designator.isascii():
        _unfit("international designator", designator, "at most 8 characters, such as 98067A")
    line1 = (
        f"1 {number}{elements.classification} {designator:<8} {epoch} "
        f"{_format_fraction(elements.mean_motion_dot_rev_per_day2)} "
        f"{_format_power(elements.mean_motion_ddot_rev_per_day3, 'mean motion ddot')} "
        f"{_format_power(elements.bstar_per_earth_radius, 'bstar')} "
        f"{elements.ephemeris_type % 10} {elements.element_set_number % 10_000:4d}"
    )
    eccentricity = f"{elements.eccentricity:.7f}"
    if not 0 <= elements.eccentricity < 1 or not eccentricity.startswith("0."):
        _unfit("eccentricity", repr(elements.eccentricity), "at least 0 and below 0.99999995")
    if not 0 < elements.mean_motion_rev_per_day < 99:
        _unfit("mean motion", repr(elements.mean_motion_rev_per_day), "above 0 and below 99")
    line2 = (
        f"2 {number} {_format_angle(elements.inclination_deg)} "
        f"{_format_angle(elements.raan_deg)} {eccentricity[2:]} "
        f"{_format_angle(elements.argument_of_perigee_deg)} "
        f"{_format_angle(elements.mean_anomaly_deg)} "
        f"{elements.mean_motion_rev_per_day:11.8f}{elements.revolution_number % 100_000:5d}"
    )
    return line1 + str(checksum(line1)), line2 + str(checksum(line2))


def checksum(line: str) -> int:
    """Sum of the first 68 characters' digits, each minus sign counting 1, modulo 10."""
    return sum(int(c) if c.isdigit() else c == "-" for c in line[: LINE_LENGTH - 1]) % 10


def _kind_of(line: str) -> int:
    """1 or 2 for an element line, 0 for a name. A name may begin with a digit: it is short."""
    if len(line) <= NAME_LENGTH or line[:2] not in ("1 ", "2 "):
        return 0
    return int(line[0])


def _name_field(line: str, number: int) -> Field:
    """The name of a set: with or without the leading ``0 ``."""
    bare = line.removeprefix("0 ").strip(" ")
    column = line.find(bare) + 1 if bare else 1
    if len(bare) > LINE_LENGTH - 2:
        raise InputError(
            "a name, or line 1 of an element set (beginning with '1 ')",
            repr(shorten(line)),
            line=number,
            column=1,
        )
    return Field("name", "" if line == "0" else bare, number, column)


class _Line:
    """An element line whose length, blanks and checksum are right."""

    def __init__(self, text: str, number: int, kind: int) -> None:
        self.text, self.number = text, number
        if len(text) != LINE_LENGTH:
            column = min(len(text), LINE_LENGTH) + 1
            beyond = f", then {shorten(text[LINE_LENGTH:])!r}" if len(text) > LINE_LENGTH else ""
            raise self._error(
                f"{LINE_LENGTH} characters", f"{len(text)} characters{beyond}", "", column
            )
        if not text[-1].isdigit() or int(text[-1]) != checksum(text):
            raise self._error(
                f"{checksum(text)} (the line was changed or cut; get it again from its source)",
                repr(text[-1]),
                "checksum",
                LINE_LENGTH,
            )
        for column in _BLANK_COLUMNS[kind]:
            if text[column - 1] != " ":
                raise self._error("a blank between fields", repr(text[column - 1]), "", column)

    def _error(self, expected: str, found: str, key: str, column: int) -> InputError:
        return InputError(expected, found, key, line=self.number, column=column)

    def field(self, key: str, first: int, last: int) -> Field:
        """Columns ``first`` to ``last`` (from 1, both included), blanks kept."""
        return Field(key, self.text[first - 1 : last], self.number, first)


def _elements(name: str, line1: _Line, line2: _Line) -> ElementSet:
    number = _catalogue_number(line1.field("catalogue number", 3, 7))
    again = line2.field("catalogue number", 3, 7)
    if _catalogue_number(again) != number:
        raise again.error(f"{line1.text[2:7]}, as in line 1 of the set (line {line1.number})")
    kind = line1.field("ephemeris type", 63, 63)
    if kind.text not in _SGP4_EPHEMERIS_TYPES:
        raise kind.error("0: sets made for another theory than SGP4 cannot be used")
    mean_motion = line2.field("mean motion", 53, 63)
    motion = _decimal(mean_motion, 0.0, GREATEST_MEAN_MOTION)
    if motion <= 0:
        raise mean_motion.error("more than 0 revolutions a day")
    return ElementSet(
        name=name,
        catalogue_number=number,
        international_designator=designator_to_cospar(
            line1.field("international designator", 10, 17).text.strip(" ")
        ),
        epoch=_epoch(line1.field("epoch", 19, 32)),
        mean_motion_rev_per_day=motion,
        eccentricity=_eccentricity(line2.field("eccentricity", 27, 33)),
        inclination_deg=_decimal(line2.field("inclination", 9, 16), 0.0, 180.0),
        raan_deg=_decimal(line2.field("right ascension of the node", 18, 25), 0.0, 360.0),
        argument_of_perigee_deg=_decimal(line2.field("argument of perigee", 35, 42), 0.0, 360.0),
        mean_anomaly_deg=_decimal(line2.field("mean anomaly", 44, 51), 0.0, 360.0),
        bstar_per_earth_radius=_power(line1.field("bstar", 54, 61)),
        mean_motion_dot_rev_per_day2=_decimal(line1.field("mean motion dot", 34, 43), -10.0, 10.0),
        mean_motion_ddot_rev_per_day3=_power(line1.field("mean motion ddot", 45, 52)),
        ephemeris_type=int(kind.text.strip() or 0),
        classification=line1.text[7].strip() or "U",
        element_set_number=_whole(line1.field("element set number", 65, 68)),
        revolution_number=_whole(line2.field("revolution number", 64, 68)),
    )


def _catalogue_number(field: Field) -> int:
    text = field.text.strip(" ")
    if text.isdigit() and field.text.endswith(text):
        return int(text)
    if len(text) == 5 and text[0] in _ALPHA_5 and text[1:].isdigit():
        return (_ALPHA_5.index(text[0]) + 10) * 10_000 + int(text[1:])
    raise field.error("five digits, or a letter (not I or O) and four digits")


def _epoch(field: Field) -> float:
    """Instant of a two-digit year and a day with fraction.

    Day 366 of a year of 365 days is read as the next year's first day: published sets carry it
    around the turn of the year.
    """
    match = re.fullmatch(r"([ \d]\d)([ \d]{3}\.\d+) *", field.text)
    if match is None:
        raise field.error("a two-digit year and a day with fraction, such as 26337.33333333")
    year = int(match[1])
    day = float(match[2].lstrip(" "))
    if not 1 <= day < 367:
        raise field.error("a day from 1 to 366")
    whole = math.floor(day)
    start = datetime(year + (1900 if year >= FIRST_YEAR else 2000), 1, 1, tzinfo=UTC)
    midnight = from_utc(start + timedelta(days=whole - 1))
    # The digits after the point, not the difference of two floats: 1e-8 day is 0.9 ms.
    return midnight + float("0." + match[2].partition(".")[2]) * DAY_S


def _decimal(field: Field, least: float, most: float) -> float:
    text = field.text.strip(" ")
    if _DECIMAL.fullmatch(text) is None or text.strip("+-") == "." or field.text.endswith(" "):
        raise field.error("a number with a decimal point, right-aligned")
    return number_of(Field(field.key, text, field.line, field.column), least, most)


def _eccentricity(field: Field) -> float:
    digits = field.text.lstrip(" ")
    if not digits.isdigit():
        raise field.error("seven digits with the decimal point left out")
    return float(f"0.{digits.rjust(7, '0')}")


def _power(field: Field) -> float:
    """A number as ``-12345-6``: sign, five digits after a point left out, power of ten."""
    if not field.text.strip(" "):
        return 0.0
    match = _POWER_FIELD.fullmatch(field.text)
    if match is None or not match[2].lstrip(" ").isdigit():
        raise field.error("a number as ' 12345-3' for 0.12345e-3")
    sign = "-" if match[1] == "-" else ""
    power = f"{match[3].strip()}{match[4]}"
    return float(f"{sign}0.{match[2].replace(' ', '0')}e{power}")


def _whole(field: Field) -> int:
    digits = field.text.strip(" ")
    if digits and not digits.isdigit():
        raise field.error("a whole number")
    return int(digits or 0)


def _format_epoch(epoch: float) -> str:
    moment = to_utc(epoch)
    midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    units = round((moment - midnight) / timedelta(days=1) * 1e8)
    if units == 100_000_000:
        midnight, units = midnight + timedelta(days=1), 0
    if not 1900 + FIRST_YEAR <= midnight.year < 2000 + FIRST_YEAR:
        _unfit("epoch", str(midnight.year), "a year from 1957 to 2056")
    return f"{midnight:%y%j}.{units:08d}"


def _format_catalogue_number(number: int) -> str:
    if not 0 <= number <= GREATEST_CATALOGUE_NUMBER:
        _unfit("catalogue number", str(number), "0 to 339999; write an OMM instead")
    if number < 100_000:
        return f"{number:05d}"
    return f"{_ALPHA_5[number // 10_000 - 10]}{number % 10_000:04d}"


def _format_angle(degrees: float) -> str:
    if not -360 <= degrees <= 360:
        _unfit("angle", repr(degrees), "an angle from -360 to 360 degrees")
    return f"{round(degrees % 360, 4) % 360:8.4f}"


def _format_fraction(value: float) -> str:
    text = f"{abs(value):.8f}"
    if not text.startswith("0."):
        _unfit("mean motion dot", repr(value), "a value between -1 and 1")
    return f"{'-' if value <= -0.5e-8 else ' '}{text[1:]}"


def _format_power(value: float, key: str) -> str:
    if value == 0:
        return _ZERO_POWER
    power = math.floor(math.log10(abs(value))) + 1
    digits = round(abs(value) / 10.0**power * 1e5)
    if digits == 100_000:
        digits, power = 10_000, power + 1
    if power < -9:
        digits, power = round(abs(value) * 1e14), -9
    if digits == 0:
        return _ZERO_POWER
    if power > 9:
        _unfit(key, repr(value), "a value below 1e9")
    return f"{'-' if value < 0 else ' '}{digits:05d}{'+' if power > 0 else '-'}{abs(power)}"


def _unfit(key: str, found: str, expected: str) -> NoReturn:
    raise InputError(f"{expected}, to fit a two-line element set", found, key)
