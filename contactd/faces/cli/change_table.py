"""A change as a table: what was recorded, and the start and steps that it moved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contactd.faces.cli.forecast_table import start_line
from contactd.faces.cli.tables import STYLES, Cell, Column, say, show
from contactd.mission.changes import NOTHING, keep_clear_text
from contactd.mission.statements import confirmation
from contactd.mission.texts.notice import NOTICE
from contactd.mission.texts.stop import stop_text
from contactd.mission.timetext import NO_EARLIER, NO_LATER, moment, on_day_of

if TYPE_CHECKING:
    from contactd.core.record import Record
    from contactd.core.sequences.model import StepForecast
    from contactd.faces.cli.screen import Screen
    from contactd.mission.changes import Change

_COLUMNS = (
    Column("Step", wraps=True),
    Column(""),
    Column("Status", optional=1),
    Column("Earliest", "UTC"),
    Column("Latest", "UTC"),
    Column("Coverage"),
)


def show_change(screen: Screen, record: Record, change: Change, day_of_year: bool = False) -> None:
    """Print what was recorded, and all that it changes."""
    for line in confirmation(record).splitlines():
        say(screen, line, style="bold", hang=2)
    say(screen, "")
    for start in change.starts:
        say(screen, f"was: {start_line(start.was, change.now_s, day_of_year)}", hang=5)
        say(screen, f"now: {start_line(start.now_is, change.now_s, day_of_year)}", hang=5)
        say(screen, "")
    rows: list[list[Cell]] = []
    for each in change.steps:
        if each.row_differs:
            rows += [[_name(each.now_is, change), "was", *_cells(each.was, day_of_year)]]
            rows += [["", "now", *_cells(each.now_is, day_of_year)]]
    if rows:
        show(_COLUMNS, rows, screen)
    for each in change.steps:
        name = f"'{_name(each.now_is, change)}'"
        if each.stop_differs:
            was, now_is = (stop_text(step) or "-" for step in (each.was, each.now_is))
            say(screen, f"stop, {name}: was {was}, now {now_is}", hang=2)
        if each.keep_clear_differs:
            was, now_is = (keep_clear_text(step, day_of_year) for step in (each.was, each.now_is))
            say(screen, f"keep clear, {name}: was {was}, now {now_is}", hang=2)
    if not change.steps:
        say(screen, NOTHING)
    for note in change.dangers:
        say(screen, f"note: {note}", style=STYLES["caution"], hang=2)
    if change.hazardous:
        say(screen, "")
        say(screen, NOTICE, style=STYLES["caution"], hang=2)


def _name(step: StepForecast, change: Change) -> str:
    return f"{step.target}: {step.step}" if change.names_targets else step.step


def _cells(step: StepForecast, day_of_year: bool) -> list[Cell]:
    coverage = str(step.coverage) if step.coverage is not None else "-"
    bounds: list[Cell] = ["-", "-"]
    if step.earliest is not None and step.latest is not None:
        earliest = moment(step.earliest, NO_LATER, day_of_year=day_of_year)
        latest = moment(step.latest, NO_EARLIER, day_of_year=day_of_year)
        bounds = [earliest, on_day_of(latest, earliest)]
    return [str(step.status), *bounds, (coverage, STYLES.get(coverage, ""))]
