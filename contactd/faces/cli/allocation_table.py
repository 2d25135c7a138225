"""Station time as an operator reads it: grants, and what requests have less than they want."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from contactd.config.station_time import RESERVED
from contactd.faces.cli.tables import Cell, Column, say, show
from contactd.mission.texts.allocation import earlier_stop
from contactd.mission.timetext import NO_EARLIER, NO_LATER, inner, length, moment, on_day_of

if TYPE_CHECKING:
    from contactd.core.allocation.result import EarlierStop, Grant, Lost, Shortfall
    from contactd.faces.cli.screen import Screen

_COLUMNS = (
    Column("From", "UTC"),
    Column("To", "UTC"),
    Column("Lasts", right=True, optional=2),
    Column("Station", wraps=True),
    Column("Target", wraps=True),
    Column("For", wraps=True, optional=1),
    Column("How", optional=3),
)
MOST_SHOWN = 12
"""Without ``--explain`` no more shortfalls than these are shown."""


def show_grants(screen: Screen, grants: Sequence[Grant], day_of_year: bool) -> None:
    """Print grants in the order of their starts; a grant is never shown longer than it is."""
    rows: list[list[Cell]] = []
    for grant in grants:
        start = moment(grant.start, NO_EARLIER, day_of_year=day_of_year)
        end = on_day_of(moment(grant.end, NO_LATER, day_of_year=day_of_year), start)
        named = grant.requests
        if grant.urgent:
            named = tuple(each for each in named if each.startswith(RESERVED)) or named
        wanted: Cell = ", ".join(named)
        if grant.urgent:
            wanted = (f"! {wanted}", "bold")
        how = str(grant.how)
        if grant.takes_over_from:
            how = f"{how}, takes over"
        rows.append(
            [
                start,
                end,
                length(grant.duration_s, NO_LATER),
                grant.station,
                grant.target,
                wanted,
                how,
            ]
        )
    show(_COLUMNS, rows, screen)
    if any(grant.urgent for grant in grants):
        say(screen, "! urgent: a stop, or what a step needs.")


def show_earlier_stops(screen: Screen, stops: Sequence[EarlierStop], day_of_year: bool) -> None:
    """Print the stops that others' grants make earlier, those of hazards near people first."""
    if not stops:
        return
    say(screen, "Stops earlier than without the others", style="bold")
    order = sorted(stops, key=lambda each: (not each.people_near, not each.hazard))
    for each in order:
        text = earlier_stop(each, day_of_year=day_of_year)
        say(screen, text, style="bold" if each.hazard else "", indent=2, hang=2)
    say(screen, "")


def show_shortfalls(
    screen: Screen, short: Sequence[Shortfall], explain: bool, day_of_year: bool
) -> None:
    """Print what requests have less than they want, most urgent first; with ``explain``, what each
    lost."""
    if not short:
        say(screen, "Every request has what it wants.")
        return
    say(screen, "Less than wanted", style="bold")
    ordered = sorted(short, key=lambda each: (not each.urgent, -each.priority, each.start))
    shown = ordered if explain else ordered[:MOST_SHOWN]
    for each in shown:
        say(screen, "")
        when = inner(each.start, each.end, day_of_year=day_of_year)
        say(
            screen,
            f"{each.target}, {each.request}: {each.granted} of {each.wanted}, {when}",
            style="bold" if each.urgent else "",
            hang=2,
        )
        say(screen, each.because, indent=2, hang=2)
        if explain:
            for lost in each.lost:
                say(screen, _lost(lost, day_of_year), indent=4, hang=2)
    if len(shown) < len(ordered):
        say(screen, "")
        say(screen, f"and {len(ordered) - len(shown)} more; --explain shows all of them.")
    say(screen, "")


def _lost(lost: Lost, day_of_year: bool) -> str:
    when = inner(lost.start, lost.end, day_of_year=day_of_year)
    takers = ", ".join(
        f"{grant.target} {inner(grant.start, grant.end, now_s=lost.start, day_of_year=day_of_year)}"
        for grant in lost.to
    )
    to = f" (to {takers})" if takers else ""
    return f"{lost.station} {when}{to}: {lost.because}"
