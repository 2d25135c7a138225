"""The JSON forms that other programs rely on: field names, units and texts do not change.

Times are RFC 3339 UTC with milliseconds and Z; lengths of time are seconds; what is not known is
None. Both the command line and the service's interface give these very forms.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from contactd.core import instants
from contactd.core.contacts.contact import Contact
from contactd.core.record import Record
from contactd.core.sequences.model import SequenceForecast, StepForecast

if TYPE_CHECKING:
    from contactd.core.sequences.align import Alignment, Option

CONTACT_FIELDS = (
    "target",
    "station",
    "aos",
    "tca",
    "los",
    "aos_azimuth_deg",
    "tca_azimuth_deg",
    "los_azimuth_deg",
    "max_elevation_deg",
    "tca_range_km",
    "duration_s",
    "cut_at_start",
    "cut_at_end",
)
FORECAST_FIELDS = (
    "target",
    "sequence",
    "step",
    "status",
    "earliest",
    "nominal",
    "latest",
    "coverage",
    "in_view_probability",
    "stations",
    "margin_s",
    "stop_by",
    "stop_station",
    "keep_clear",
)


SHOWN_WITHIN_S = 5e-4
"""Times are shown to the millisecond. Who asks for what came since a time that was read off a
record wants that record too."""


def time_text(instant: float | None) -> str | None:
    """``2026-11-25T10:03:04.250Z``; None stays None."""
    return None if instant is None else instants.to_text(instant, 3)


def contact_form(contact: Contact) -> dict[str, Any]:
    """One contact, with the fields of :data:`CONTACT_FIELDS` in that order."""
    return {
        "target": contact.target,
        "station": contact.station,
        "aos": time_text(contact.aos),
        "tca": time_text(contact.tca),
        "los": time_text(contact.los),
        "aos_azimuth_deg": round(float(contact.aos_azimuth_deg), 3),
        "tca_azimuth_deg": round(float(contact.tca_azimuth_deg), 3),
        "los_azimuth_deg": round(float(contact.los_azimuth_deg), 3),
        "max_elevation_deg": round(float(contact.max_elevation_deg), 4),
        "tca_range_km": round(float(contact.tca_range_km), 3),
        "duration_s": round(float(contact.duration_s), 3),
        "cut_at_start": bool(contact.cut_at_start),
        "cut_at_end": bool(contact.cut_at_end),
    }


def contact_forms(contacts: Iterable[Contact]) -> list[dict[str, Any]]:
    """Contacts ordered by AOS, then by target and station."""
    ordered = sorted(contacts, key=lambda each: (each.aos, each.target, each.station))
    return [contact_form(contact) for contact in ordered]


def step_form(step: StepForecast) -> dict[str, Any]:
    """One step's forecast, with the fields of :data:`FORECAST_FIELDS` in that order."""
    keep_clear = step.keep_clear
    return {
        "target": step.target,
        "sequence": step.sequence,
        "step": step.step,
        "status": str(step.status),
        "earliest": time_text(step.earliest),
        "nominal": time_text(step.nominal),
        "latest": time_text(step.latest),
        "coverage": None if step.coverage is None else str(step.coverage),
        "in_view_probability": _rounded(step.in_view_probability, 6),
        "stations": list(step.stations),
        "margin_s": _rounded(step.margin_s, 3),
        "stop_by": time_text(step.stop_by),
        "stop_station": step.stop_station,
        "keep_clear": None
        if keep_clear is None
        else {"from": time_text(keep_clear[0]), "to": time_text(keep_clear[1])},
    }


def forecast_forms(forecasts: Iterable[SequenceForecast]) -> list[dict[str, Any]]:
    """All steps of all sequences, in the order given."""
    return [step_form(step) for forecast in forecasts for step in forecast.steps]


def _rounded(value: float | None, digits: int) -> float | None:
    """Rounded; an infinite figure has no JSON form and is None."""
    if value is None or value != value or value in (float("inf"), float("-inf")):
        return None
    return round(float(value), digits)


def record_form(record: Record) -> dict[str, Any]:
    """One record of the ledger; ``number`` is None while it is not stored."""
    return {
        "number": record.number or None,
        "at": time_text(record.at),
        "kind": record.kind,
        "subject": record.subject,
        "author": record.author,
        "identity": record.identity,
        "body": dict(record.body),
    }


def alignment_form(alignment: Alignment) -> dict[str, Any]:
    """An alignment: its options, best first, and what blocks it where there is none."""
    return {
        "options": [option_form(option) for option in alignment.options],
        "blocked_by": [
            {"step": each.step, "reason": each.reason, "relaxation": each.relaxation}
            for each in alignment.blocked_by
        ],
    }


def option_form(option: Option) -> dict[str, Any]:
    """One option of an alignment; settings in seconds, by step."""
    return {
        "start_from": time_text(option.start_from),
        "start_until": time_text(option.start_until),
        "best_start": time_text(option.best_start),
        "margin_s": _rounded(option.margin_s, 3),
        "settings": dict(option.settings),
        "steps": [
            {
                "step": step.step,
                "earliest": time_text(step.earliest),
                "nominal": time_text(step.nominal),
                "latest": time_text(step.latest),
                "stations": list(step.stations),
                "margin_s": _rounded(step.margin_s, 3),
            }
            for step in option.steps
        ],
    }
