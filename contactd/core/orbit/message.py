"""The fields of one orbit message by keyword, and the checks that all kinds of message share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from contactd.core.errors import InputError
from contactd.core.orbit.inertial import KNOWN_FRAMES, frame_named
from contactd.core.orbit.text import TIME_SYSTEMS, Field, number_of, suggestion, whole_of

VERSIONS: Final = ("1.0", "2.0", "3.0")

_NO_UNITS: Final[Mapping[str, tuple[str, ...]]] = {}


@dataclass(frozen=True, slots=True)
class Message:
    """The fields of one message, or of one block of it, and where it begins.

    Attributes:
        strict: whether the metadata must be stated (KVN, XML) or may be left out (JSON).
        units: the units that may stand beside a keyword's value.
        kind: what the message is, for people.
    """

    fields: Mapping[str, Field]
    line: int
    column: int
    strict: bool = True
    units: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: _NO_UNITS)
    kind: str = "a message"

    def need(self, key: str, instead: str = "") -> Field:
        """The field, which the message must have.

        Raises:
            InputError: if there is none, or it is empty.
        """
        found = self.fields.get(key)
        if found is None or not found.text:
            what = f"{key}{instead}, which {self.kind} must have"
            place = found or self
            raise InputError(what, "none", key, line=place.line, column=place.column)
        return found

    def has(self, key: str) -> bool:
        """Whether there is such a field with a value."""
        found = self.fields.get(key)
        return found is not None and bool(found.text)

    def one_of(self, key: str, allowed: tuple[str, ...], why: str) -> None:
        """Check that a field is one of the allowed words.

        Raises:
            InputError: if it is not, or is missing where it must be stated.
        """
        if self.strict or self.has(key):
            found = self.need(key)
            if found.text.upper() not in allowed:
                raise found.error(f"{' or '.join(allowed)}: {why}")

    def number(
        self,
        key: str,
        least: float | None = None,
        most: float | None = None,
        default: float | None = None,
    ) -> float:
        """A number within bounds, whose unit, where written, is the standard's.

        Raises:
            InputError: if it is not, or is missing and has no default.
        """
        if default is not None and not self.has(key):
            return default
        found = self.need(key)
        if found.unit and found.unit not in self.units.get(key, ()):
            expected = " or ".join(self.units[key]) if key in self.units else "no unit"
            raise found.error(f"the unit {expected}", f"[{found.unit}]")
        return number_of(found, least, most)

    def whole(self, key: str, most: int) -> int:
        """A whole number from 0, or 0 where there is none.

        Raises:
            InputError: if it is no such number.
        """
        return whole_of(self.fields[key], 0, most) if self.has(key) else 0

    def text(self, key: str, default: str) -> str:
        """A text, or the default where there is none.

        Raises:
            InputError: if it holds control characters.
        """
        if not self.has(key):
            return default
        found = self.fields[key]
        if not found.text.isprintable():
            raise found.error("printable characters")
        return found.text

    def frame(self) -> str:
        """The frame of reference, once it is known that the centre is the Earth.

        Raises:
            InputError: for another centre, or a frame that is not known.
        """
        self.one_of("CENTER_NAME", ("EARTH",), "only orbits about the Earth can be used")
        found = self.need("REF_FRAME")
        frame = frame_named(found.text)
        if frame is None:
            raise found.error(f"one of {', '.join(KNOWN_FRAMES)}")
        return frame

    def time_system(self) -> str:
        """The time system.

        Raises:
            InputError: for one that is not known.
        """
        found = self.need("TIME_SYSTEM")
        if found.text.upper() not in TIME_SYSTEMS:
            raise found.error(f"one of {', '.join(TIME_SYSTEMS)}")
        return found.text.upper()


def keep(
    found: Field,
    into: dict[str, Field],
    known: frozenset[str],
    kind: str,
    unread: tuple[str, ...] = ("USER_DEFINED_",),
) -> None:
    """Add a field, unless its keyword is unknown or given twice.

    Args:
        unread: beginnings of keywords that are allowed and not read.

    Raises:
        InputError: if it is.
    """
    if found.key not in known and not found.key.startswith(unread):
        raise InputError(
            f"a keyword of {kind}{suggestion(found.key, known)}",
            found.key,
            found.key,
            line=found.line,
            column=found.column,
        )
    if found.key in into:
        first = into[found.key].line
        raise found.error(f"each keyword once (the first is in line {first})", f"{found.key} again")
    into[found.key] = found
