"""The sequence sheet: every countdown of a sequence, for a wall or a clipboard."""

from __future__ import annotations

from dataclasses import dataclass

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import SequenceForecast, StepForecast
from contactd.faces.page.sheets.sheet import Sheet, told
from contactd.mission.agenda import step_notes, zone_text
from contactd.mission.texts.cause import reasons_of
from contactd.mission.texts.stop import stop_text
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, outer


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
            "Sequence sheet. All times are UTC. Earliest and latest are bounds; the nominal is the "
            "best estimate.",
            self.basis,
            self.notice,
        )
        sheet.facts(self._start())
        for text in forecast.conflicts:
            sheet.warns(text)
        for step in forecast.steps:
            if step.people_in_danger:
                sheet.warns(f"People planned near during keep-clear, step '{step.step}'")
        sheet.heading("Countdowns")
        sheet.table(
            ("Step", "Earliest", "Nominal", "Latest", "Covered", "Stations"),
            [_times(step) for step in forecast.steps],
            (22, 20, 20, 20, 11, 22),
        )
        hazardous = [
            step for step in forecast.steps if step.hazard or step.stop_possible is not None
        ]
        if hazardous:
            sheet.heading("Hazards: keep clear, stop by")
            sheet.table(
                ("Step", "Hazard", "Keep clear", "Stop"),
                [_hazard(step) for step in hazardous],
                (20, 14, 30, 44),
            )
        sheet.heading("Why, and the first look")
        for step in forecast.steps:
            for reason in (*step_notes(step), *reasons_of(step)[:3]):
                sheet.says(f"'{step.step}': {reason}")
            if step.confirm_at is not None:
                where = f", {step.confirm_station}" if step.confirm_station else ""
                sheet.says(f"'{step.step}': first look {told(step.confirm_at, NO_EARLIER)}{where}")
        sheet.heading("Confirmed")
        for step in forecast.steps:
            sheet.boxes([f"'{step.step}' confirmed at (UTC)", "by", "countdown read, at (UTC)"], 9)
        return sheet.finish()

    def _start(self) -> list[tuple[str, str]]:
        start = self.forecast.start
        facts = [("Start", start.status.value)]
        if start.earliest is not None and start.latest is not None:
            facts.append(("Between", outer(start.earliest, start.latest)))
        if start.record:
            facts.append(("Known from", f"record {start.record}"))
        facts += [("People near", outer(*each)) for each in self.people_near]
        if self.forecast.longest_silence is not None:
            facts.append(("Longest gap", outer(*self.forecast.longest_silence)))
        return facts


def _times(step: StepForecast) -> list[str]:
    covered = "" if step.coverage is None else step.coverage.value
    status = f"{step.step} ({step.status.value})"
    return [
        status,
        told(step.earliest, NO_LATER),
        told(step.nominal, NEAREST),
        told(step.latest, NO_EARLIER),
        covered,
        ", ".join(step.stations),
    ]


def _hazard(step: StepForecast) -> list[str]:
    return [step.step, step.hazard or "", keep_clear_cell(step), stop_text(step)]


def keep_clear_cell(step: StepForecast) -> str:
    """``2026-11-25 10:03:04Z to 10:09:12Z, zone 200 m``, or ""."""
    return "" if step.keep_clear is None else f"{outer(*step.keep_clear)}{zone_text(step)}"
