"""The sequence sheet: every countdown of a sequence, for a wall or a clipboard."""

from __future__ import annotations

from dataclasses import dataclass

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import SequenceForecast, StepForecast
from contactd.faces.page.paper.sheet import Sheet, moment, span


@dataclass(frozen=True, slots=True)
class SequenceSheet:
    """What a sequence sheet is made of.

    Attributes:
        basis: what the figures rest on, for the foot.
        notice: a sentence that must stand on every page, or "".
    """

    forecast: SequenceForecast
    people_near: IntervalSet
    basis: str
    notice: str = ""

    def pdf(self) -> bytes:
        """The sheet as PDF."""
        forecast = self.forecast
        sheet = Sheet(
            f"{forecast.target}: {forecast.sequence}",
            "Sequence sheet. All times are UTC, with the day of the year in brackets. Earliest and "
            "latest are bounds, the nominal is not a promise.",
            self.basis,
            self.notice,
        )
        sheet.facts(self._start())
        for text in forecast.conflicts:
            sheet.warns(text)
        for step in forecast.steps:
            if step.people_in_danger:
                sheet.warns(f"people are planned to be near during keep-clear of {step.step}")
        sheet.heading("Countdowns")
        sheet.table(
            ("Step", "Earliest", "Nominal", "Latest", "Covered", "Stations"),
            [_times(step) for step in forecast.steps],
            (22, 20, 20, 20, 11, 22),
        )
        hazardous = [step for step in forecast.steps if step.hazard or step.stop_by]
        if hazardous:
            sheet.heading("Hazards: who stays clear, and until when each can be stopped")
            sheet.table(
                ("Step", "Hazard", "Keep clear", "Stop by", "Through"),
                [_hazard(step) for step in hazardous],
                (20, 14, 34, 22, 18),
            )
        sheet.heading("Why, and the first look afterwards")
        for step in forecast.steps:
            for reason in step.reasons[:2]:
                sheet.says(f"{step.step}: {reason}")
            if step.confirm_at is not None:
                where = f" at {step.confirm_station}" if step.confirm_station else ""
                sheet.says(f"{step.step}: first look {moment(step.confirm_at)}{where}")
        sheet.heading("Seen")
        for step in forecast.steps:
            sheet.boxes([f"{step.step}: seen at (UTC)", "by", "countdown read, at (UTC)"], 9)
        return sheet.finish()

    def _start(self) -> list[tuple[str, str]]:
        start = self.forecast.start
        facts = [("Start", start.status.value)]
        if start.earliest is not None and start.latest is not None:
            facts.append(("Between", span(start.earliest, start.latest)))
        if start.record:
            facts.append(("Known from", f"record {start.record}"))
        facts += [("People near", span(*each)) for each in self.people_near]
        if self.forecast.longest_silence is not None:
            facts.append(("Longest silence", span(*self.forecast.longest_silence)))
        return facts


def _times(step: StepForecast) -> list[str]:
    covered = "" if step.coverage is None else step.coverage.value
    status = f"{step.step} ({step.status.value})"
    return [
        status,
        moment(step.earliest),
        moment(step.nominal),
        moment(step.latest),
        covered,
        ", ".join(step.stations),
    ]


def _hazard(step: StepForecast) -> list[str]:
    clear = "" if step.keep_clear is None else span(*step.keep_clear)
    stop = "" if step.stop_possible is None else "no window left"
    if step.stop_by is not None:
        stop = moment(step.stop_by)
    return [step.step, step.hazard or "", clear, stop, step.stop_station or ""]
