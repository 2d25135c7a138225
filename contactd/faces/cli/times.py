"""Types of options that take times and durations, read by :mod:`contactd.mission.timetext`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from contactd.faces.cli.session import Session
from contactd.mission.timetext import NotALength, NotAMoment, read_length, read_moment

# Only newer versions of click let the class be subscripted when the program runs.
if TYPE_CHECKING:
    _Seconds = click.ParamType[float]
else:
    _Seconds = click.ParamType


def duration_s(text: str) -> float:
    """Seconds of ``6h 30min``, ``90s`` or ``PT6H30M``, read as the configuration's files are.

    Raises:
        ValueError: for anything else.
    """
    try:
        return read_length(text)[0]
    except NotALength as refusal:
        hint = f" ({refusal.hint})" if refusal.hint else ""
        raise ValueError(f"{text!r} is not a duration{hint}. Use 90s or 6h 30min.") from None


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
