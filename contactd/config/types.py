"""The values that configuration files may hold, each strict and each able to say what it wants.

A *kind* turns a plain YAML value into a Python value or says what it expects instead. It takes
only the right YAML type: text in quotes is no number, a bare number is no duration, a time without
zone is no instant. Models name kinds by ``Annotated[float, DURATION]``.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any

from pydantic_core import PydanticCustomError, core_schema

from contactd.core import alert, instants, record
from contactd.core.instants import DAY_S
from contactd.mission.timetext import NotALength, read_length, written

MOST_NAME_LENGTH = 100
MOST_TEXT_LENGTH = 2_000
LONGEST_DURATION_S = 100 * 365.25 * DAY_S
# From the first satellite to a lifetime from now: the rest is a slip of the keyboard.
_EARLIEST_YEAR, _LATEST_YEAR = 1957, 2199


class Refused(ValueError):
    """A value that is not taken; ``hint`` says why, where that helps."""

    def __init__(self, hint: str = "") -> None:
        super().__init__(hint)
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Kind:
    """What may stand in a place: its description, and how a plain value is read.

    Attributes:
        expected: what is expected, as part of a sentence.
        read: from a plain YAML value to the value wanted; raises :class:`Refused`.
    """

    expected: str
    read: Callable[[Any], Any]

    def __call__(self, value: Any) -> Any:
        try:
            return self.read(value)
        except Refused as refusal:
            hint = f" ({refusal.hint})" if refusal.hint else ""
            raise PydanticCustomError(
                "expected", "{expected}", {"expected": self.expected + hint}
            ) from None

    def __get_pydantic_core_schema__(self, _source: Any, _handler: Any) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self)


def number(
    least: float = -math.inf, greatest: float = math.inf, unit: str = "", what: str = "a number"
) -> Kind:
    """A finite number within bounds, both included."""

    def read(value: Any) -> float:
        if isinstance(value, str) and _looks_like_number(value):
            raise Refused("without quotes and without a unit")
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise Refused
        if not math.isfinite(value) or not least <= value <= greatest:
            raise Refused
        return float(value)

    return Kind(f"{what}{_bounds(least, greatest, unit)}", read)


def integer(least: int, greatest: int, what: str = "a whole number") -> Kind:
    """A whole number within bounds, both included."""

    def read(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= greatest:
            raise Refused
        return value

    return Kind(f"{what}{_bounds(least, greatest, '')}", read)


def _looks_like_number(text: str) -> bool:
    return re.match(r"\s*[-+]?[0-9.]", text) is not None


def _bounds(least: float, greatest: float, unit: str) -> str:
    unit = f" {unit}" if unit else ""
    if math.isfinite(least) and math.isfinite(greatest):
        return f" from {least:g} to {greatest:g}{unit}"
    if math.isfinite(least):
        return f" of at least {least:g}{unit}"
    return f" of at most {greatest:g}{unit}" if math.isfinite(greatest) else unit


def words(
    choices: Iterable[str], what: str = "", former: Mapping[str, str] = MappingProxyType({})
) -> Kind:
    """One of a few words; ``former`` gives today's word for one of an older version."""
    known = tuple(choices)

    def read(value: Any) -> str:
        word = former.get(value, value) if isinstance(value, str) else ""
        if word not in known:
            raise Refused(_nearest_hint(value, known))
        return word

    listed = ", ".join(known[:-1]) + f" or {known[-1]}" if len(known) > 1 else known[0]
    return Kind(f"{what}: {listed}" if what else listed, read)


def nearest(word: object, known: Iterable[str]) -> str | None:
    """The known word that is most like the given one, or None if none is near."""
    import difflib

    if not isinstance(word, str):
        return None
    by_folded = {_folded(each): each for each in known}
    found = difflib.get_close_matches(_folded(word)[:80], list(by_folded), n=1, cutoff=0.6)
    return by_folded[found[0]] if found else None


def _folded(word: str) -> str:
    return word.lower().replace("-", "_").replace(" ", "_")


def _nearest_hint(value: object, known: Iterable[str]) -> str:
    near = nearest(value, known)
    return f"the nearest is {near}" if near else ""


def _host(value: Any) -> str:
    if not isinstance(value, str) or not value or not value.isprintable() or " " in value:
        raise Refused
    return value


def _network(value: Any) -> str:
    from ipaddress import ip_network

    if not isinstance(value, str):
        raise Refused
    try:
        return str(ip_network(value))
    except ValueError:
        raise Refused from None


def _name(value: Any) -> str:
    if isinstance(value, int | float):
        raise Refused("in quotes, if it is a name")
    if not isinstance(value, str) or not value.strip():
        raise Refused
    if value != value.strip() or not value.isprintable():
        raise Refused("without blanks around it, on one line")
    if "/" in value:
        raise Refused("without /, which parts names in records and alerts")
    if len(value) > MOST_NAME_LENGTH:
        raise Refused(f"of at most {MOST_NAME_LENGTH} characters")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise Refused
    if len(value) > MOST_TEXT_LENGTH:
        raise Refused(f"of at most {MOST_TEXT_LENGTH:,} characters")
    return value


def _text_or_block(value: Any) -> str:
    # The size of the whole file bounds it.
    if not isinstance(value, str) or not value.strip():
        raise Refused
    return value


def _truth(value: Any) -> bool:
    if not isinstance(value, bool):
        said = isinstance(value, str) and value.lower() in ("yes", "no", "on", "off", "y", "n")
        raise Refused("yes and no are plain text in YAML 1.2" if said else "")
    return value


def duration(least_s: float = 0.0, greatest_s: float = LONGEST_DURATION_S, what: str = "") -> Kind:
    """A duration in seconds, written with its units, within bounds."""

    def read(value: Any) -> float:
        if isinstance(value, int | float) and not isinstance(value, bool):
            raise Refused(f"add a unit to {value}: d, h, min, s or ms")
        if not isinstance(value, str):
            raise Refused
        try:
            seconds = read_length(value)[0]
        except NotALength as refusal:
            raise Refused(refusal.hint) from None
        if not least_s <= seconds <= greatest_s:
            raise Refused
        return seconds

    bounds = ""
    if least_s > 0:
        bounds += f" of at least {written(least_s)}"
    if greatest_s < LONGEST_DURATION_S:
        bounds += f"{' and' if bounds else ' of'} at most {written(greatest_s)}"
    comma = "," if bounds else ""
    example = "such as 6h 30min or 90s"
    return Kind(f"{what or 'a duration'}{bounds}{comma} with its unit, {example}", read)


def _instant(value: Any) -> float:
    if not isinstance(value, str):
        raise Refused
    try:
        instant = instants.from_text(value)
    except (ValueError, OverflowError) as error:
        raise Refused(_instant_hint(value, str(error))) from None
    if not _EARLIEST_YEAR <= int(value.strip()[:4]) <= _LATEST_YEAR:
        raise Refused(f"years run from {_EARLIEST_YEAR} to {_LATEST_YEAR}")
    return instant


def _instant_hint(value: str, error: str) -> str:
    if "zone" in error:
        return "it has no time zone: add Z if it is UTC"
    if re.fullmatch(r"\s*\d{4}-\d\d-\d\d\s*", value):
        return "add the time of day and a Z"
    return error.split(": ", 1)[1] if ": " in error else ""


def _time_of_day(value: Any) -> float:
    found = re.fullmatch(r"(\d\d):(\d\d)(?::(\d\d))?", value) if isinstance(value, str) else None
    if found is None:
        raise Refused
    hour, minute, second = (int(part or 0) for part in found.groups())
    if hour > 23 or minute > 59 or second > 59:
        raise Refused("hours run from 00 to 23")
    return hour * 3600.0 + minute * 60.0 + second


def _time_zone(value: Any) -> str:
    from zoneinfo import ZoneInfo

    if not isinstance(value, str):
        raise Refused
    try:
        ZoneInfo(value)
    except (ValueError, OSError, KeyError):
        raise Refused from None
    return value


_SIZE_UNITS = {"B": 1, "kB": 10**3, "MB": 10**6, "GB": 10**9, "KiB": 2**10, "MiB": 2**20}


def _size(value: Any) -> int:
    if isinstance(value, int) and not isinstance(value, bool):
        raise Refused(f"add a unit to {value}: kB or MB")
    found = (
        re.fullmatch(r"(\d{1,9})\s*([A-Za-z]+)", value, re.ASCII)
        if isinstance(value, str)
        else None
    )
    if found is None or found[2] not in _SIZE_UNITS:
        raise Refused
    return int(found[1]) * _SIZE_UNITS[found[2]]


def address(*schemes: str, example: str, needs_host: bool = True) -> Kind:
    """A URL with one of the schemes; without a password, which belongs into a file."""

    def read(value: Any) -> str:
        from urllib.parse import urlsplit

        if not isinstance(value, str) or not value.isprintable() or " " in value:
            raise Refused
        try:
            parts = urlsplit(value)
            port = parts.port
        except ValueError:
            raise Refused from None
        if parts.scheme not in schemes or port == 0 or (needs_host and not parts.hostname):
            raise Refused
        if parts.password is not None:
            raise Refused("without a password in it: passwords belong into a file of their own")
        return value

    return Kind(f"an address such as {example}", read)


NAME = Kind("a name", _name)
TEXT = Kind("text", _text)
TRUTH = Kind("true or false", _truth)
DURATION = duration()
POSITIVE_DURATION = duration(least_s=1e-3)
INSTANT = Kind("a UTC time such as 2026-12-03T08:00:00Z", _instant)
SIZE = Kind("a size such as 500 kB or 2 MB", _size)
TIME_OF_DAY = Kind("a time of day such as 22:00", _time_of_day)
TIME_ZONE = Kind("a time zone such as UTC or Europe/Oslo", _time_zone)
FILE = Kind("the name of a file, relative to this one", _text)
TEXT_OR_FILE = Kind("the name of a file, or the text itself as a block after |", _text_or_block)
WEB_ADDRESS = address("https", "http", example="https://elements.example/lantern-3.txt")

ALERT_ADDRESS = address("https", "http", example="https://alerts.example/contactd")
HOST = Kind("a host's name or address, such as 127.0.0.1", _host)

NETWORK = Kind("a network's addresses, such as 192.0.2.0/24, or one address", _network)

Name = Annotated[str, NAME]
Text = Annotated[str, TEXT]
AlertKind = Annotated[str, words(sorted(alert.KINDS), "a kind of alert", alert.FORMER_KINDS)]
RecordKind = Annotated[str, words(sorted(record.KINDS), "a kind of record")]
Truth = Annotated[bool, TRUTH]
Duration = Annotated[float, DURATION]
PositiveDuration = Annotated[float, POSITIVE_DURATION]
Instant = Annotated[float, INSTANT]
AlertAddress = Annotated[str, ALERT_ADDRESS]
Host = Annotated[str, HOST]
NetworkText = Annotated[str, NETWORK]
Size = Annotated[int, SIZE]
TimeOfDay = Annotated[float, TIME_OF_DAY]
TimeZone = Annotated[str, TIME_ZONE]
File = Annotated[str, FILE]
TextOrFile = Annotated[str, TEXT_OR_FILE]
WebAddress = Annotated[str, WEB_ADDRESS]
Latitude = Annotated[float, number(-90, 90, what="a latitude in degrees, north positive,")]
Longitude = Annotated[float, number(-180, 360, what="a longitude in degrees, east positive,")]
Elevation = Annotated[float, number(-5, 90, what="an elevation in degrees")]
Azimuth = Annotated[float, number(0, 360, what="an azimuth in degrees from north through east")]
Altitude = Annotated[float, number(-500, 9_000, what="an altitude in metres above the ellipsoid")]


def unknown(word: str, known: list[str], what: str) -> str:
    """What is expected where a name is not known: the nearest, or all there are."""
    near = nearest(word, known)
    if near is not None:
        return f"{what}; the nearest is {near}"
    if not known:
        return f"{what}; there is none"
    more = ", …" if len(known) > 8 else ""
    return f"{what}: {', '.join(known[:8])}{more}"
