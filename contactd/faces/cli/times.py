"""Times and durations as people write them on a command line and read them in a table.

Written: RFC 3339 with a zone, the CCSDS 301.0-B ASCII B day-of-year form, ``now``, or a distance
from now such as ``+6h`` or ``-1d``. Read: ``2026-11-25 10:03:04Z`` or ``2026-329 10:03:04Z``.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from contactd.core import instants
from contactd.faces.cli.session import Session
from contactd.mission.timetext import NotALength, NotAMoment, read_length, read_moment

# Only newer versions of click let the class be subscripted when the program runs.
if TYPE_CHECKING:
    _Seconds = click.ParamType[float]
    _Pair = click.ParamType[tuple[float, float]]
else:
    _Seconds = _Pair = click.ParamType


def duration_s(text: str) -> float:
    """Seconds of ``6h 30min``, ``90s`` or ``PT6H30M``, read as the configuration's files are.

    Raises:
        ValueError: for anything else.
    """
    return _read_length(text)[0]


def _read_length(text: str) -> tuple[float, float]:
    try:
        return read_length(text)
    except NotALength as refusal:
        hint = f" ({refusal.hint})" if refusal.hint else ""
        expected = "expected a duration such as 90s, 6h 30min or PT6H30M"
        raise ValueError(f"found {text!r}; {expected}{hint}") from None


class Duration(_Seconds):
    """A length of time on the command line; converts to seconds (``float``)."""

    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        try:
            return duration_s(value)
        except ValueError as problem:
            self.fail(str(problem), param, ctx)


class SignedDuration(_Seconds):
    """A length of time that may point backwards (``-5min``); converts to seconds."""

    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        written = value.strip()
        try:
            size = duration_s(written.lstrip("+-") if written[:1] in ("+", "-") else written)
        except ValueError as problem:
            self.fail(str(problem), param, ctx)
        return -size if written.startswith("-") else size


class Written(_Pair):
    """A duration that was read off something; converts to (seconds, worth of its last digit)."""

    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        try:
            return _read_length(value)
        except ValueError as problem:
            self.fail(str(problem), param, ctx)


class Instant(_Seconds):
    """A moment on the command line; converts to an instant (``float``, s)."""

    name = "time"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        session = ctx.find_object(Session) if ctx else None
        try:
            return read_moment(value, session.now if session else None)
        except NotAMoment as problem:
            self.fail(str(problem), param, ctx)


def moment(instant: float, day_of_year: bool = False) -> str:
    """``2026-11-25 10:03:04Z``, to the nearest second."""
    return instants.to_text(instant, 0, day_of_year).replace("T", " ")


def moment_before(instant: float, day_of_year: bool = False) -> str:
    """The last whole second at or before the instant: for what must not be shown too late."""
    return moment(instant if _whole(instant) else math.floor(instant), day_of_year)


def moment_after(instant: float, day_of_year: bool = False) -> str:
    """The first whole second at or after the instant: for what must not be shown too early."""
    return moment(instant if _whole(instant) else math.ceil(instant), day_of_year)


def _whole(instant: float) -> bool:
    # A float of this century resolves 0.1 µs; half a millisecond is what JSON rounds away too.
    return abs(instant - round(instant)) < 5e-4


def later_on(text: str, reference: str) -> str:
    """A moment's text shortened by the day of an earlier one: ``10:09:22Z`` or ``00:09:22Z +1d``.

    Both are texts of :func:`moment` in the same form.
    """
    day, clock = text.split(" ")
    if day == reference.split(" ")[0]:
        return clock
    midnight, earlier = f"{day}T00:00:00Z", f"{reference.split(' ')[0]}T00:00:00Z"
    days = round((instants.from_text(midnight) - instants.from_text(earlier)) / instants.DAY_S)
    return f"{clock} {days:+d}d"


def length(seconds: float) -> str:
    """``6m 18s``, ``1h 02m``, ``2d 03h``: two units, rounded down, with a sign if negative.

    Down, also below zero, so that a margin is never shown larger than it is.
    """
    if seconds < 0:
        size = -seconds
        unit = 1 if size < 3600 else 60 if size < 86_400 else 3600
        return "-" + _two_units(math.ceil((size - 5e-4) / unit) * unit)
    return _two_units(int(seconds + 5e-4))


def _two_units(whole: int) -> str:
    if whole < 60:
        return f"{whole}s"
    if whole < 3600:
        return f"{whole // 60}m {whole % 60:02d}s"
    if whole < 86_400:
        return f"{whole // 3600}h {whole % 3600 // 60:02d}m"
    return f"{whole // 86_400}d {whole % 86_400 // 3600:02d}h"


def from_now(instant: float, now: float) -> str:
    """``in 3h 12m``, ``12m 03s ago`` or ``now``."""
    distance = instant - now
    if abs(distance) < 1:
        return "now"
    return f"in {length(distance)}" if distance > 0 else f"{length(-distance)} ago"
