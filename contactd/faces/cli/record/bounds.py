"""When something happened: about a time, or between two."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import click

from contactd.faces.cli import options
from contactd.faces.cli.output import refuse
from contactd.faces.cli.times import Duration


class When(NamedTuple):
    """A best guess (instant, s), its bound both ways (s), and bounds where they were given."""

    at: float
    give_or_take_s: float
    earliest: float | None
    latest: float | None


Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

AS_CONFIGURED = "as the target's file says"


def between(function: Callable[..., Any]) -> Callable[..., Any]:
    """The options ``--earliest`` and ``--latest``."""
    for option in (
        options.instant("latest", "Or bounds: at this time or earlier."),
        options.instant("earliest", "Or bounds: at this time or later."),
    ):
        function = option(function)
    return function


def about_or_between(
    help_text: str = "When it happened, as well as it is known.", otherwise: str = AS_CONFIGURED
) -> Decorator:
    """The options ``--at`` and ``--give-or-take``, or ``--earliest`` and ``--latest``.

    Args:
        help_text: of ``--at``.
        otherwise: what counts without ``--give-or-take``, in words.
    """

    def decorate(function: Callable[..., Any]) -> Callable[..., Any]:
        give_or_take = click.option(
            "--give-or-take",
            "give_or_take_s",
            type=Duration(),
            metavar="DURATION",
            help=f"How far off that may be, both ways.  [default: {otherwise}]",
        )
        return options.instant("at", help_text)(give_or_take(between(function)))

    return decorate


def when(
    at: float | None,
    give_or_take_s: float | None,
    earliest: float | None,
    latest: float | None,
    otherwise_s: float = 0.0,
) -> When:
    """What the options say together; ``otherwise_s`` is the bound of a time given without one.

    Raises:
        click.UsageError: if they say too little or too much.
    """
    if (earliest is None) != (latest is None):
        refuse("found one bound; expected both --earliest and --latest")
    if earliest is None or latest is None:
        if at is None:
            refuse("found no time; expected --at TIME, or --earliest TIME and --latest TIME")
        return When(at, otherwise_s if give_or_take_s is None else give_or_take_s, None, None)
    if give_or_take_s is not None:
        refuse("found --give-or-take with --earliest and --latest; expected one of the two ways")
    middle = earliest + (latest - earliest) / 2
    return When(middle if at is None else at, 0.0, earliest, latest)
