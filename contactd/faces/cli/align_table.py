"""An alignment as an operator reads it: options with their settings, or what blocks them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contactd.faces.cli.forecast_table import fact_lines
from contactd.faces.cli.tables import STYLES, Cell, Column, say, show
from contactd.mission.texts.cause import reasons_of
from contactd.mission.texts.notice import NOTICE
from contactd.mission.timetext import (
    NEAREST,
    NO_EARLIER,
    NO_LATER,
    error,
    inner,
    length,
    moment,
    on_day_of,
    outer,
    written,
)

if TYPE_CHECKING:
    from contactd.core.sequences.align import Alignment, Option, Slip
    from contactd.core.sequences.model import Sequence, StepForecast
    from contactd.faces.cli.screen import Screen

_COLUMNS = (
    Column("Step", wraps=True),
    Column("Set to"),
    Column("Earliest", "UTC"),
    Column("Latest", "UTC"),
    Column("Margin", right=True),
    Column("Stations", wraps=True, optional=1),
)


def show_alignment(
    screen: Screen,
    sequence: Sequence,
    aligned: Alignment,
    slipped: Slip | None,
    allowed: tuple[float, float],
    day_of_year: bool = False,
    explain: bool = False,
    rests_on: str | None = None,
) -> None:
    """Print the options, best first, or why there is none.

    Args:
        explain: say of each step what its bounds and verdict follow from.
        rests_on: the elements that all of it rests on, to be said first.
    """
    say(screen, f"{sequence.target} / {sequence.name}", style="bold")
    say(
        screen,
        f"Starts {outer(*allowed, day_of_year=day_of_year)}{error(sequence.start.give_or_take_s)}.",
        hang=2,
    )
    if rests_on:
        say(screen, f"It rests on {rests_on}.", hang=2)
    for number, option in enumerate(aligned.options, 1):
        say(screen, "")
        _option(screen, number, option, day_of_year)
        for step in option.steps if explain else ():
            _why(screen, step)
    if not aligned.options:
        _blocked(screen, aligned)
    if aligned.robust_cost_s is not None:
        say(screen, "")
        say(
            screen,
            "To survive that costs "
            f"{length(max(aligned.robust_cost_s, 0.0), NO_EARLIER)} of margin.",
        )
    if slipped is not None:
        _slip(screen, slipped)
    if aligned.hazardous:
        say(screen, "")
        say(screen, NOTICE, style=STYLES["caution"], hang=2)


def _option(screen: Screen, number: int, option: Option, day_of_year: bool) -> None:
    say(
        screen,
        f"{number}. Start {moment(option.best_start, NEAREST, day_of_year=day_of_year)}, margin "
        f"{length(option.margin_s, NO_LATER)} earlier or later",
        style="bold",
    )
    # The inside of the interval is what keeps every step covered, so it is rounded inwards.
    starts = inner(option.start_from, option.start_until, day_of_year=day_of_year)
    say(screen, f"from {starts}", indent=3)
    rows = [_row(step, option, day_of_year) for step in option.steps]
    show(_COLUMNS, rows, screen)


def _why(screen: Screen, step: StepForecast) -> None:
    """What a step's bounds and verdict follow from."""
    say(screen, "")
    say(screen, step.step, style="bold", indent=3)
    for label, text, style in (("because", "; ".join(reasons_of(step)), ""), *fact_lines(step)):
        if text:
            say(screen, f"{label:<12}{text}", style=style, indent=5, hang=12)


def _row(step: StepForecast, option: Option, day_of_year: bool) -> list[Cell]:
    setting_s = option.settings.get(step.step)
    bounds: list[Cell] = ["-", "-"]
    if step.earliest is not None and step.latest is not None:
        earliest = moment(step.earliest, NO_LATER, day_of_year=day_of_year)
        latest = moment(step.latest, NO_EARLIER, day_of_year=day_of_year)
        bounds = [earliest, on_day_of(latest, earliest)]
    return [
        step.step,
        "-" if setting_s is None else written(setting_s),
        *bounds,
        "-" if step.margin_s is None else length(step.margin_s, NO_LATER),
        ", ".join(step.stations) or "-",
    ]


def _blocked(screen: Screen, aligned: Alignment) -> None:
    say(screen, "")
    say(screen, "No start keeps every step covered.", style=STYLES["warning"])
    if aligned.blocked_by:
        say(screen, "Together these block it; relaxing one is enough where it says so:")
    for blocker in aligned.blocked_by:
        say(screen, "")
        say(screen, f"{blocker.step} ({blocker.rule})", style="bold", indent=2)
        say(screen, f"{'because':<12}{blocker.reason}", indent=4, hang=12)
        say(screen, f"{'relax':<12}{blocker.relaxation}", indent=4, hang=12)


def _slip(screen: Screen, slipped: Slip) -> None:
    say(screen, "")
    way = "later" if slipped.slip_s >= 0 else "earlier"
    head = f"If option 1 starts {length(abs(slipped.slip_s), NEAREST)} {way}:"
    if not slipped.lost and not slipped.danger:
        say(screen, f"{head} every step stays covered.")
        return
    if slipped.lost:
        text = f"{head} no longer certainly covered: {', '.join(slipped.lost)}."
        say(screen, text, style=STYLES["caution"], hang=2)
    if slipped.danger:
        text = f"{head} people near during keep-clear of {', '.join(slipped.danger)}."
        say(screen, f"warning: {text}", style=STYLES["warning"], hang=2)
