"""What a record changed: each step's forecast before it and after it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contactd.core.sequences.model import StepForecast
from contactd.faces.cli.tables import STYLES, Cell, Column, say, show
from contactd.faces.cli.times import later_on, moment_after, moment_before

if TYPE_CHECKING:
    from rich.console import Console

    from contactd.core.outlook import TargetOutlook
    from contactd.core.record import Record

_COLUMNS = (
    Column("Step", wraps=True),
    Column(""),
    Column("Status", optional=1),
    Column("Earliest", "UTC"),
    Column("Latest", "UTC"),
    Column("Served"),
)


def show_change(
    screen: Console,
    record: Record,
    before: TargetOutlook,
    after: TargetOutlook,
    now: float,
    day_of_year: bool = False,
) -> None:
    """Print what was recorded, and the steps whose forecast it moved."""
    done = f"Recorded as {record.number}" if record.number else "Not recorded (dry run)"
    say(screen, f"{done}: {record.kind}, {record.subject}, by {record.author}.", style="bold")
    steps = {(step.sequence, step.step): step for each in before.forecasts for step in each.steps}
    rows: list[list[Cell]] = []
    for forecast in after.forecasts:
        for step in forecast.steps:
            was, now_is = (
                _cells(steps[step.sequence, step.step], day_of_year),
                _cells(step, day_of_year),
            )
            if was != now_is:
                rows += [[step.step, "was", *was], ["", "now", *now_is]]
    say(screen, "")
    if rows:
        show(_COLUMNS, rows, screen)
    else:
        say(screen, "It moves no step's forecast.")
    notices = {forecast.notice for forecast in after.forecasts if forecast.notice}
    for notice in sorted(notices):
        say(screen, "")
        say(screen, f"caution: {notice}", style=STYLES["caution"], hang=2)


def _cells(step: StepForecast, day_of_year: bool) -> list[Cell]:
    served = str(step.served) if step.served is not None else "-"
    bounds: list[Cell] = ["-", "-"]
    if step.earliest is not None and step.latest is not None:
        earliest = moment_before(step.earliest, day_of_year)
        bounds = [earliest, later_on(moment_after(step.latest, day_of_year), earliest)]
    return [str(step.status), *bounds, (served, STYLES.get(served, ""))]
