"""The contact sheet: one contact for the hand of whoever works it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from contactd.core import instants
from contactd.core.contacts.contact import Contact
from contactd.core.contacts.outage import outage_of
from contactd.core.ground.station import Station
from contactd.core.ground.status import degraded_in, reason
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import StepForecast, StepStatus
from contactd.faces.page.sheets.dome import draw_dome
from contactd.faces.page.sheets.sequence_sheet import keep_clear_cell
from contactd.faces.page.sheets.sheet import Sheet, told
from contactd.mission.texts.stop import stop_text
from contactd.mission.timetext import (
    NEAREST,
    NO_EARLIER,
    NO_LATER,
    Safe,
    inner,
    length,
    moment,
    outer,
)

MOST_ROWS = 60
SOON_S = 6 * 3600.0
NOT_AHEAD = (StepStatus.STOPPED, StepStatus.UNSET)


@dataclass(frozen=True, slots=True)
class ContactSheet:
    """What a contact sheet is made of.

    Attributes:
        samples: columns as the sky's document has them.
        mask: (azimuth, elevation) in degrees, all round.
        frequency_mhz: of the link, for Doppler; None for none.
        basis: what the figures rest on, for the foot.
        notice: a sentence that must stand on every page, or "".
    """

    contact: Contact
    station: Station
    outlook: TargetOutlook
    samples: Mapping[str, Any]
    mask: Sequence[tuple[float, float]]
    basis: str
    frequency_mhz: float | None = None
    notice: str = ""

    def pdf(self) -> bytes:
        """The sheet as PDF."""
        contact = self.contact
        sheet = Sheet(
            f"{contact.target}: contact with {contact.station}",
            f"Contact sheet, {moment(contact.aos, NO_LATER)} to "
            f"{self._at(contact.los, NO_LATER)}. All times are UTC.",
            self.basis,
            self.notice,
        )
        out = outage_of(contact, self.station)
        if out is not None:
            why = f": {out.why}" if out.why else ""
            sheet.warns(f"Station out of service {outer(out.start, out.end)}{why}")
        degraded = degraded_in(contact.aos, contact.los, self.station)
        if degraded is not None:
            sheet.warns(
                f"Station degraded {outer(degraded.start, degraded.end)}: {reason(degraded)}"
            )
        top = sheet.pdf.y
        sheet.facts(self._facts())
        draw_dome(sheet, (164, top + 34), 28, self.mask, self.samples)
        sheet.pdf.set_y(max(sheet.pdf.y, top + 70))
        self._steps(sheet)
        self._pointing(sheet)
        sheet.heading("Worked")
        sheet.boxes(["Acquired at (UTC)", "Lost at (UTC)", "Commands sent, with times", "By"])
        sheet.boxes(["Telemetry, countdowns read (value at UTC), remarks"], 26)
        return sheet.finish()

    def _at(self, instant: float, safe: Safe) -> str:
        """A time within the contact, without its date."""
        return moment(instant, safe, now_s=self.contact.aos)

    def _facts(self) -> list[tuple[str, str]]:
        contact, elements = self.contact, self.outlook.elements
        off = f" ± {math.ceil(10 * elements.timing_error_s) / 10:.1f} s" if elements else ""
        facts = [
            ("AOS", f"{self._at(contact.aos, NO_LATER)}{off}   az {contact.aos_azimuth_deg:.0f}°"),
            (
                "TCA",
                f"{self._at(contact.tca, NEAREST)}   az {contact.tca_azimuth_deg:.0f}°   "
                f"el {contact.max_elevation_deg:.1f}°   {contact.tca_range_km:.0f} km",
            ),
            ("LOS", f"{self._at(contact.los, NO_LATER)}{off}   az {contact.los_azimuth_deg:.0f}°"),
            ("Lasts", length(contact.duration_s, NO_LATER)),
        ]
        for service, by_station in self.outlook.services.items():
            if contact.station in by_station:
                inside = by_station[contact.station].nominal.clip(contact.aos, contact.los)
                text = ", ".join(inner(a, b, now_s=contact.aos) for a, b in inside)
                facts.append((service.capitalize(), text or "not in this contact"))
        if elements is not None:
            facts.append(("Elements of", moment(elements.epoch, NEAREST)))
        if contact.cut_at_start:
            facts.append(("Note", "in view before the prediction's start"))
        if contact.cut_at_end:
            facts.append(("Note", "in view beyond the prediction's end"))
        return facts

    def _steps(self, sheet: Sheet) -> None:
        steps = [
            step
            for forecast in self.outlook.forecasts
            for step in forecast.steps
            if step.earliest is not None
            and step.latest is not None
            and step.status not in NOT_AHEAD
        ]
        meeting = [step for step in steps if self._meets(step)]
        if not meeting:
            return
        sheet.heading("Aboard, during this contact or within six hours of it")
        for step in meeting:
            clear = step.keep_clear
            if clear is not None and clear[0] < self.contact.los and clear[1] > self.contact.aos:
                sheet.warns(
                    f"Keep clear {keep_clear_cell(step)}: step '{step.step}', {step.hazard}"
                )
        sheet.table(
            ("Step", "Earliest", "Latest", "Covered", "Stop", "Keep clear"),
            [_step_row(step) for step in meeting],
            (16, 18, 18, 11, 30, 22),
        )

    def _meets(self, step: StepForecast) -> bool:
        """Whether it expires, must be kept clear of, or can be stopped about this contact."""
        aos, los = self.contact.aos, self.contact.los
        spans = [(chance.opens, chance.closes) for chance in step.stop_chances]
        if step.stop_certain and step.stop_by is not None:
            spans.append((step.stop_by, step.stop_by))
        if step.keep_clear is not None:
            spans.append(step.keep_clear)
        if any(start <= los and end >= aos for start, end in spans):
            return True
        assert step.earliest is not None
        assert step.latest is not None
        if step.status is StepStatus.SEEN:
            return False
        return step.earliest < los + SOON_S and step.latest > aos - SOON_S

    def _pointing(self, sheet: Sheet) -> None:
        samples = self.samples
        times = samples["unix_ms"]
        step_ms = next(
            each
            for each in (30_000, 60_000, 120_000, 300_000, 600_000, 3_600_000, 21_600_000)
            if (times[-1] - times[0]) / each <= MOST_ROWS or each == 21_600_000
        )
        rows = []
        for index, when in enumerate(times):
            if when % step_ms and index not in (0, len(times) - 1):
                continue
            rows.append(
                [
                    moment(instants.from_unix(when / 1000.0), NEAREST)[11:],
                    _figure(samples["azimuth_deg"][index], 1),
                    _figure(samples["elevation_deg"][index], 1),
                    _figure(samples["range_km"][index], 0),
                    self._doppler(samples["doppler_ppm"][index]),
                    "" if samples["sunlit"][index] is None else _light(samples["sunlit"][index]),
                ]
            )
        sheet.heading("Pointing")
        mhz = self.frequency_mhz
        doppler = f"Doppler kHz, {mhz:g} MHz" if mhz else "Doppler, ppm"
        headings = ("UTC", "Azimuth °", "Elevation °", "Range km", doppler, "Target in")
        sheet.table(headings, rows, (16, 16, 16, 16, 20, 16))

    def _doppler(self, ppm: float | None) -> str:
        if ppm is None or self.frequency_mhz is None:
            return _figure(ppm, 3)
        return _figure(ppm * self.frequency_mhz / 1000.0, 3)


def _step_row(step: StepForecast) -> list[str]:
    covered = "" if step.coverage is None else step.coverage.value
    bounds = told(step.earliest, NO_LATER), told(step.latest, NO_EARLIER)
    return [step.step, *bounds, covered, stop_text(step), keep_clear_cell(step)]


def _light(fraction: float) -> str:
    return "sunlight" if fraction > 0.99 else "shadow" if fraction < 0.01 else "penumbra"


def _figure(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"
