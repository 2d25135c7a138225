"""What a command is given from outside: the clock and the daemon."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol

import click


class Clock(Protocol):
    """Whoever knows the present."""

    def now(self) -> float:
        """The present instant (s)."""
        ...


Run = Callable[[str, Mapping[str, Any]], int | None]
"""The daemon: given the configuration's folder and the options, returns an exit code or None."""

Rehearse = Callable[[str, Mapping[str, Any]], Any]
"""A rehearsal: given the script's path and the options, returns its report."""


@dataclass
class Session:
    """One call of the command line.

    Attributes:
        wrong: something wrong was found, so that the exit code will say so.
        read: what has been read already, by what it was read from.
        complaints: what was told to be wrong.
    """

    clock: Clock
    run: Run
    rehearse: Rehearse
    wrong: bool = False
    read: dict[Any, Any] = field(default_factory=dict)
    complaints: set[str] = field(default_factory=set)

    @cached_property
    def now(self) -> float:
        """The present, asked once, so that all of one answer rests on one moment."""
        return self.clock.now()


def current() -> Session:
    """The session of the command that runs."""
    session = click.get_current_context().find_object(Session)
    assert session is not None, "a command was started outside build()"
    return session
