"""The contact sheet: one contact for the hand of whoever works it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from contactd.core import instants
from contactd.core.contacts.contact import Contact
from contactd.core.ground.station import Station
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import StepForecast, StepStatus
from contactd.faces.page.paper.dome import draw_dome
from contactd.faces.page.paper.sheet import Sheet, clock, moment, span

MOST_ROWS = 60
SOON_S = 6 * 3600.0
GONE = (StepStatus.STOPPED, StepStatus.UNSET, StepStatus.SEEN)


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
            f"{contact.target} over {contact.station}",
            f"Contact sheet, {moment(contact.aos)} to {clock(contact.los)}. All times are UTC.",
            self.basis,
            self.notice,
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

    def _facts(self) -> list[tuple[str, str]]:
        contact, elements = self.contact, self.outlook.elements
        off = f" ± {elements.timing_error_s:.1f} s" if elements else ""
        facts = [
            ("AOS", f"{clock(contact.aos)}{off}   az {contact.aos_azimuth_deg:.0f}°"),
            (
                "TCA",
                f"{clock(contact.tca)}   az {contact.tca_azimuth_deg:.0f}°   "
                f"el {contact.max_elevation_deg:.1f}°   {contact.tca_range_km:.0f} km",
            ),
            ("LOS", f"{clock(contact.los)}{off}   az {contact.los_azimuth_deg:.0f}°"),
            ("Lasts", f"{int(contact.duration_s // 60)} min {int(contact.duration_s % 60)} s"),
        ]
        for service, by_station in self.outlook.services.items():
            if contact.station in by_station:
                inside = by_station[contact.station].nominal.clip(contact.aos, contact.los)
                text = ", ".join(f"{clock(a)} to {clock(b)}" for a, b in inside)
                facts.append((service.capitalize(), text or "not in this contact"))
        if elements is not None:
            facts.append(("Elements of", moment(elements.epoch)))
        if contact.cut_at_start or contact.cut_at_end:
            facts.append(("Note", "the contact goes on beyond the planned span"))
        return facts

    def _steps(self, sheet: Sheet) -> None:
        steps = [
            step
            for forecast in self.outlook.forecasts
            for step in forecast.steps
            if step.earliest is not None and step.latest is not None and step.status not in GONE
        ]
        meeting = [step for step in steps if self._meets(step)]
        if not meeting:
            return
        sheet.heading("Aboard, during this contact or within six hours of it")
        for step in meeting:
            clear = step.keep_clear
            if clear is not None and clear[0] < self.contact.los and clear[1] > self.contact.aos:
                sheet.warns(f"keep clear {span(*clear)}: {step.step}, {step.hazard}")
        sheet.table(
            ("Step", "Earliest", "Latest", "Covered", "Stop by, through", "Keep clear"),
            [_step_row(step) for step in meeting],
            (20, 20, 20, 10, 20, 20),
        )

    def _meets(self, step: StepForecast) -> bool:
        assert step.earliest is not None
        assert step.latest is not None
        before, after = self.contact.aos - SOON_S, self.contact.los + SOON_S
        stop_here = (
            step.stop_by is not None and self.contact.aos <= step.stop_by <= self.contact.los
        )
        return stop_here or (step.earliest < after and step.latest > before)

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
                    clock(instants.from_unix(when / 1000.0)),
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
    stop = "no window left" if step.stop_possible is False else ""
    if step.stop_by is not None:
        stop = f"{moment(step.stop_by)}, {step.stop_station}"
    clear = "" if step.keep_clear is None else span(*step.keep_clear)
    covered = "" if step.coverage is None else step.coverage.value
    return [step.step, moment(step.earliest), moment(step.latest), covered, stop, clear]


def _light(fraction: float) -> str:
    return "sunlight" if fraction > 0.99 else "shadow" if fraction < 0.01 else "penumbra"


def _figure(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:.{digits}f}"
