"""A sequence's forecast as an operator reads it: a line a step, then what needs doing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from contactd.core.sequences.model import (
    Covered,
    SequenceForecast,
    Start,
    StartStatus,
    StepForecast,
    StepStatus,
)
from contactd.faces.cli.tables import STYLES, Cell, Column, say, show
from contactd.mission.texts.cause import cause_text
from contactd.mission.texts.commands import NO_WINDOW, last_windows_text, parts_text
from contactd.mission.texts.notice import NOTICE
from contactd.mission.timetext import (
    NEAREST,
    NO_EARLIER,
    NO_LATER,
    Safe,
    error,
    from_now,
    length,
    moment,
    on_day_of,
    outer,
)

if TYPE_CHECKING:
    from contactd.faces.cli.screen import Screen

CHANCES_SHOWN = 3
REASONS_SHOWN = 3
_LABELS = {StepStatus.UNSET: "setting not chosen"}

_COLUMNS = (
    Column("Step", wraps=True),
    Column("Status", optional=1),
    Column("Earliest", "UTC"),
    Column("Latest", "UTC"),
    Column("Coverage"),
    Column("Covered", "%", right=True, optional=2),
    Column("Margin", right=True, optional=3),
    Column("Nominal", "UTC", optional=4),
    Column("Stations", wraps=True, optional=5),
)


class ForecastPage:
    """Prints forecasts as seen at one instant (s), with ``explain`` down to the facts, and the
    stop-bys that are left after the loss of up to ``survive`` stations."""

    def __init__(
        self,
        screen: Screen,
        now: float,
        day_of_year: bool = False,
        explain: bool = False,
        survive: int = 0,
    ) -> None:
        self.screen = screen
        self.now = now
        self.day_of_year = day_of_year
        self.explain = explain
        self.survive = survive

    def show(self, forecast: SequenceForecast) -> None:
        """Print one sequence: heading, start, steps, what they ask for, notes."""
        say(self.screen, f"{forecast.target} / {forecast.sequence}", style="bold")
        say(self.screen, start_line(forecast.start, self.now, self.day_of_year), hang=2)
        say(self.screen, "")
        show(_COLUMNS, [self._row(step) for step in forecast.steps], self.screen)
        for step in forecast.steps:
            self._details(step)
        if forecast.longest_silence is not None:
            gap = forecast.longest_silence
            say(self.screen, "")
            say(
                self.screen,
                f"Longest gap: {length(gap[1] - gap[0], NO_EARLIER)}, {self._span(*gap)}.",
                hang=2,
            )
        for conflict in forecast.conflicts:
            say(self.screen, "")
            say(self.screen, f"note: {conflict}", style=STYLES["caution"], hang=2)
        if forecast.hazardous:
            say(self.screen, "")
            say(self.screen, NOTICE, style=STYLES["caution"], hang=2)

    def _row(self, step: StepForecast) -> list[Cell]:
        covered = str(step.coverage) if step.coverage is not None else "-"
        cells: list[Cell] = [step.step, _LABELS.get(step.status, str(step.status))]
        if step.earliest is None or step.latest is None:
            cells += ["-", "-"]
        else:
            earliest = self._moment(step.earliest, NO_LATER)
            cells += [earliest, on_day_of(self._moment(step.latest, NO_EARLIER), earliest)]
        cells += [
            (covered, STYLES.get(covered, "")),
            _percent(step.in_view_probability),
            "-" if step.margin_s is None else length(step.margin_s, NO_LATER),
            "-" if step.nominal is None else self._moment(step.nominal, NEAREST),
            ", ".join(step.stations) or "-",
        ]
        return cells

    def _details(self, step: StepForecast) -> None:
        lines = self._lines(step)
        if not lines:
            return
        hazard = f" (hazard: {step.hazard})" if step.hazard else ""
        say(self.screen, "")
        say(self.screen, f"{step.step}{hazard}", style="bold", hang=2)
        for label, text, style in lines:
            say(self.screen, f"{label:<12}{text}", style=style, indent=2, hang=12)

    def _lines(self, step: StepForecast) -> list[tuple[str, str, str]]:
        """What there is to say of a step beneath the table, as (label, text, style)."""
        lines = self._warnings(step)
        reasons = list(step.reasons) if self.explain else _worth_saying(step)
        if step.coverage in (Covered.UNCOVERED, Covered.AT_RISK):
            lines.append((str(step.coverage), cause_text(step), STYLES[step.coverage]))
            if step.margin_s is not None:
                lines.append(("margin", length(step.margin_s, NO_LATER), ""))
        if step.setting_unknown is not None:
            least, most = (length(each, NEAREST) for each in step.setting_unknown)
            lines.append(("setting", f"unknown: {least} to {most}", STYLES["caution"]))
        if reasons:
            lines.append(("because", "; ".join(reasons), ""))
        if self.explain:
            lines += fact_lines(step)
        lines += self._stop(step)
        lines += self._next_command(step)
        if step.keep_clear is not None:
            zone = f", {step.zone}" if step.zone else ""
            lines.append(("keep clear", f"{self._span(*step.keep_clear)}{zone}", ""))
        lines += [("expires again", self._span(*act), "") for act in step.later_acts]
        if step.confirm_at is not None:
            station = f", {step.confirm_station}" if step.confirm_station else ""
            lines.append(
                ("first look", f"{self._moment(step.confirm_at, NO_EARLIER)}{station}", "")
            )
        return lines

    def _stop(self, step: StepForecast) -> list[tuple[str, str, str]]:
        """Until when the step can be stopped, by which command, or what a stop still prevents."""
        stops = f", stops '{step.stops}'" if step.stops not in (None, step.step) else ""
        if step.stop_certain and step.stop_by is not None:
            stop_by = self._moment(step.stop_by, NO_LATER)
            ahead = from_now(step.stop_by, self.now, NO_LATER)
            lines = [("stop by", f"{stop_by} through {step.stop_station}{stops} ({ahead})", "")]
            return lines + self._surviving(step)
        return [
            (
                "may stop",
                f"{math.floor(100 * each.share)} %, from {self._moment(each.opens, NO_EARLIER)} "
                f"through {each.station}, stops '{each.stops}'",
                "",
            )
            for each in step.stop_chances[:CHANCES_SHOWN]
        ]

    def _surviving(self, step: StepForecast) -> list[tuple[str, str, str]]:
        """The stop-by that is left after the loss of any one station, of any two …"""
        lines = []
        for lost in range(1, self.survive + 1):
            if lost < len(step.stop_bys):
                at, station = step.stop_bys[lost]
                text = f"{self._moment(at, NO_LATER)} through {station}"
            else:
                text = "no certain stop is left"
            lines.append((f"without {lost}", text, ""))
        return lines

    def _next_command(self, step: StepForecast) -> list[tuple[str, str, str]]:
        """The parts of a countdown that commands begin anew, and until when one is needed."""
        lines = [("either", parts_text(step), "")] if step.parts else []
        needed = step.next_command
        if needed is None:
            return lines
        if needed.by is None:
            return [*lines, ("warning", NO_WINDOW, STYLES["warning"])]
        ahead = from_now(needed.by, self.now, NO_LATER)
        text = f"{self._moment(needed.by, NO_LATER)} through {needed.station} ({ahead})"
        windows = f"{needed.windows_left} left; the last: {last_windows_text(needed)}"
        return [*lines, ("command by", text, ""), ("windows", windows, "")]

    def _warnings(self, step: StepForecast) -> list[tuple[str, str, str]]:
        texts = [
            f"people near during keep-clear, {self._span(start, end)}"
            for start, end in step.people_in_danger
        ]
        if step.stop_possible is False:
            texts.append("no stop possible: no command window is left")
        elif step.stop_certain is False and step.stop_chances:
            texts.append("no stop is certain: the start is not known well enough")
            if step.stop_by is not None:
                texts[-1] = f"no certain stop since {self._moment(step.stop_by, NO_LATER)}"
        return [("warning", text, STYLES["warning"]) for text in texts]

    def _moment(self, instant: float, safe: Safe) -> str:
        return moment(instant, safe, day_of_year=self.day_of_year)

    def _span(self, start: float, end: float) -> str:
        return outer(start, end, day_of_year=self.day_of_year)


def fact_lines(step: StepForecast) -> list[tuple[str, str, str]]:
    """The facts that a step's forecast rests on, as (label, text, style)."""
    return [
        (fact.about.replace("_", " "), f"{fact.text} [{fact.source}]", "") for fact in step.facts
    ]


def start_line(start: Start, now: float, day_of_year: bool) -> str:
    """What is known of a start, in a sentence."""
    if start.status is StartStatus.STOPPED and start.stopped_at is not None:
        return f"Stopped {moment(start.stopped_at, NEAREST, day_of_year=day_of_year)}."
    words = f"Start {start.status}"
    if start.earliest is None or start.latest is None:
        return words + "."
    if start.latest - start.earliest < 0.5:
        when = moment(start.earliest, NEAREST, day_of_year=day_of_year)
    else:
        when = outer(start.earliest, start.latest, day_of_year=day_of_year)
    if start.status is StartStatus.EXPECTED and start.give_or_take_s:
        when += error(start.give_or_take_s)
    return f"{words} {when} ({from_now(start.earliest, now, NEAREST)})."


def _worth_saying(step: StepForecast) -> list[str]:
    """A step's reasons, without those that other lines already say."""
    said = ("people are near", "no command window", "no stop is certain", "the last certain stop")
    return [
        reason
        for reason in step.reasons
        if not reason.startswith(said)
        and not (step.setting_unknown and reason.startswith(f"the setting of {step.step} "))
    ][:REASONS_SHOWN]


def _percent(probability: float | None) -> str:
    """Never rounds doubt away: 100 and 0 mean exactly that."""
    if probability is None:
        return "-"
    if 0 < probability < 0.01:
        return "<1"
    if 0.99 < probability < 1:
        return ">99"
    return f"{probability * 100:.0f}"
