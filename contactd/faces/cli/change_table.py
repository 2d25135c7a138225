"""What a record changed: each step's forecast before it and after it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contactd.core.sequences.model import Start, StepForecast
from contactd.faces.cli.forecast_table import start_line
from contactd.faces.cli.tables import STYLES, Cell, Column, say, show
from contactd.mission.texts.notice import NOTICE
from contactd.mission.timetext import NO_EARLIER, NO_LATER, moment, on_day_of

if TYPE_CHECKING:
    from contactd.core.outlook import TargetOutlook
    from contactd.core.record import Record
    from contactd.faces.cli.screen import Screen

_COLUMNS = (
    Column("Step", wraps=True),
    Column(""),
    Column("Status", optional=1),
    Column("Earliest", "UTC"),
    Column("Latest", "UTC"),
    Column("Covered"),
)


def show_change(
    screen: Screen,
    record: Record,
    before: TargetOutlook,
    after: TargetOutlook,
    now: float,
    day_of_year: bool = False,
) -> None:
    """Print what was recorded, and the start and steps that it moved."""
    say(screen, recorded_line(record), style="bold")
    steps = {(step.sequence, step.step): step for each in before.forecasts for step in each.steps}
    rows: list[list[Cell]] = []
    stops_moved: list[str] = []
    for forecast in after.forecasts:
        for step in forecast.steps:
            old = _cells(steps[step.sequence, step.step], day_of_year)
            new = _cells(step, day_of_year)
            if old != new:
                rows += [[step.step, "was", *old], ["", "now", *new]]
            stops = [_stop(each, day_of_year) for each in (steps[step.sequence, step.step], step)]
            if stops[0] != stops[1]:
                stops_moved.append(f"stop by, {step.step}: was {stops[0]}, now {stops[1]}")
    say(screen, "")
    starts = {each.sequence: each.start for each in before.forecasts}
    moved = [
        (starts[each.sequence], each.start)
        for each in after.forecasts
        if _facts(starts[each.sequence]) != _facts(each.start)
    ]
    for was, is_now in moved:
        say(screen, f"was: {start_line(was, now, day_of_year)}", hang=5)
        say(screen, f"now: {start_line(is_now, now, day_of_year)}", hang=5)
        say(screen, "")
    if rows:
        show(_COLUMNS, rows, screen)
    else:
        say(screen, "No step moves.")
    for line in stops_moved:
        say(screen, line, hang=2)
    if any(forecast.hazardous for forecast in after.forecasts):
        say(screen, "")
        say(screen, NOTICE, style=STYLES["caution"], hang=2)


def _stop(step: StepForecast, day_of_year: bool) -> str:
    """Until when a step can be stopped, in words."""
    if step.stop_possible is False:
        return "no window left"
    if step.stop_by is None:
        return "-"
    station = f" from {step.stop_station}" if step.stop_station else ""
    return f"{moment(step.stop_by, NO_LATER, day_of_year=day_of_year)}{station}"


def _facts(start: Start) -> tuple[object, ...]:
    return start.status, start.earliest, start.latest, start.stopped_at


def recorded_line(record: Record) -> str:
    """One line that says what was recorded, and as which number."""
    done = f"Recorded as {record.number}" if record.number else "Not recorded (dry run)"
    about = f", {record.subject}" if record.subject else ""
    return f"{done}: {record.kind}{about}, by {record.author}."


def _cells(step: StepForecast, day_of_year: bool) -> list[Cell]:
    covered = str(step.coverage) if step.coverage is not None else "-"
    bounds: list[Cell] = ["-", "-"]
    if step.earliest is not None and step.latest is not None:
        earliest = moment(step.earliest, NO_LATER, day_of_year=day_of_year)
        bounds = [
            earliest,
            on_day_of(moment(step.latest, NO_EARLIER, day_of_year=day_of_year), earliest),
        ]
    return [str(step.status), *bounds, (covered, STYLES.get(covered, ""))]
