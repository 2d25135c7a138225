"""JSON forms of what the service knows, beyond the two that other programs rely on.

Contacts and steps have the forms of :mod:`contactd.faces.contract`; what the page needs beside them
stands next to those fields, never in their place. Times are RFC 3339 UTC with milliseconds and Z.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from contactd.core import instants
from contactd.core.alert import Alert, Severity
from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.contacts.table import first_from, meeting
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import ElementsInUse, Snapshot, TargetOutlook
from contactd.core.record import Record
from contactd.core.sequences.model import Sequence as TimedSequence
from contactd.core.sequences.model import (
    SequenceForecast,
    Start,
    StepForecast,
)
from contactd.faces.contract import contact_form, step_form, time_text

Form = dict[str, Any]

COMMAND = "command"
MOST_WINDOWS_AHEAD = 12
MOST_WINDOWS_OF_MANY = 3
"""So many windows are told of each target where there are more than ``MANY_TARGETS``."""
MANY_TARGETS = 100
_SEVERITIES = list(Severity)


def moment(instant: float | None) -> str | None:
    """RFC 3339 text; None for what is not known and for what never comes."""
    return time_text(instant) if instant is not None and math.isfinite(instant) else None


def span_form(span: tuple[float, float]) -> Form:
    """``{"from": …, "to": …}``."""
    return {"from": moment(span[0]), "to": moment(span[1])}


def spans_form(spans: IntervalSet) -> list[Form]:
    """Each interval of a set."""
    return [span_form(each) for each in spans]


def station_form(station: Station) -> Form:
    """A ground antenna as configured."""
    return {
        "name": station.name,
        "latitude_deg": station.latitude_deg,
        "longitude_deg": station.longitude_deg,
        "altitude_m": station.altitude_m,
        "least_elevation_deg": station.least_elevation_deg,
        "mask": [list(point) for point in station.mask],
        "services": {
            name: {
                "least_elevation_deg": terms.least_elevation_deg,
                "acquisition_s": terms.acquisition_s,
                "guard_s": terms.guard_s,
            }
            for name, terms in station.services.items()
        },
        "outages": spans_form(station.outages),
    }


def alert_form(alert: Alert) -> Form:
    """An alert that waits."""
    return {
        "identity": alert.identity,
        "kind": alert.kind,
        "severity": alert.severity.value,
        "target": alert.target,
        "subject": alert.subject,
        "what": alert.what,
        "advice": alert.do,
        "due": moment(alert.due),
        "concerns": moment(alert.moment),
        "over_at": moment(alert.over_at),
        "late": alert.late,
        "facts": dict(alert.facts),
    }


def alert_forms(alerts: Iterable[Alert]) -> list[Form]:
    """Alerts, most severe first, then by the moment they concern."""
    ordered = sorted(alerts, key=lambda each: (-_SEVERITIES.index(each.severity), each.moment))
    return [alert_form(alert) for alert in ordered]


def record_form(record: Record) -> Form:
    """One entry of the ledger."""
    return {
        "number": record.number,
        "at": time_text(record.at),
        "kind": record.kind,
        "subject": record.subject,
        "author": record.author,
        "body": dict(record.body),
    }


def elements_form(elements: ElementsInUse | None, at: float) -> Form | None:
    """The element set that predictions rest on."""
    if elements is None:
        return None
    return {
        "epoch": time_text(elements.epoch),
        "source": elements.source,
        "stale_after_s": elements.stale_after_s,
        "stale": elements.is_stale(at),
        "timing_error_s": round(elements.timing_error_s, 3),
    }


def start_form(start: Start) -> Form:
    """What is known of a sequence's start."""
    return {
        "status": start.status.value,
        "earliest": time_text(start.earliest),
        "nominal": time_text(start.middle),
        "latest": time_text(start.latest),
        "stopped_at": time_text(start.stopped_at),
        "record": start.record,
    }


def step_detail(step: StepForecast) -> Form:
    """A step's forecast with what it rests on."""
    return {
        **step_form(step),
        "hazard": step.hazard,
        "stop_possible": step.stop_possible,
        "reasons": list(step.reasons),
        "confirm_at": time_text(step.confirm_at),
        "confirm_station": step.confirm_station,
        "people_in_danger": spans_form(step.people_in_danger),
        "later_acts": [span_form(each) for each in step.later_acts],
        "facts": [
            {"about": fact.about, "text": fact.text, "source": fact.source} for fact in step.facts
        ],
    }


def sequence_form(forecast: SequenceForecast, people_near: IntervalSet) -> Form:
    """A sequence's forecast with what it rests on."""
    silence = forecast.longest_silence
    return {
        "target": forecast.target,
        "sequence": forecast.sequence,
        "start": start_form(forecast.start),
        "longest_silence": None if silence is None else span_form(silence),
        "conflicts": list(forecast.conflicts),
        "notice": forecast.notice,
        "people_near": spans_form(people_near),
        "steps": [step_detail(step) for step in forecast.steps],
    }


def windows(outlook: TargetOutlook, service: str = COMMAND) -> list[tuple[float, float, str]]:
    """A service's windows: (start, end, station), ordered by start."""
    coverage = outlook.services.get(service, {})
    found = [(start, end, name) for name, each in coverage.items() for start, end in each.nominal]
    return sorted(found)


def windows_ahead(
    outlook: TargetOutlook, instant: float, most: int, service: str = COMMAND
) -> list[tuple[float, float, str]]:
    """The first of a service's windows that end after an instant (s): as :func:`windows`."""
    found = []
    for name, each in outlook.services.get(service, {}).items():
        spans = each.nominal
        first = int(spans.ends.searchsorted(instant, side="right"))
        rows = slice(first, first + most)
        pairs = zip(spans.starts[rows].tolist(), spans.ends[rows].tolist(), strict=True)
        found += [(start, end, name) for start, end in pairs]
    return sorted(found)[:most]


def window_form(
    outlook: TargetOutlook, window: tuple[float, float, str], service: str = COMMAND
) -> Form:
    """One window, its certain part, and the contact that it is part of."""
    start, end, station = window
    certain = outlook.services[service][station].certain.clip(start, end)
    contact = meeting(outlook.contacts, station, start, end)
    return {
        "target": outlook.target,
        "station": station,
        "service": service,
        "from": time_text(start),
        "to": time_text(end),
        "certain": span_form((float(certain.starts[0]), float(certain.ends[-1])))
        if certain
        else None,
        "aos": None if contact is None else time_text(contact.aos),
        "los": None if contact is None else time_text(contact.los),
        "max_elevation_deg": None if contact is None else round(contact.max_elevation_deg, 2),
    }


def target_form(
    outlook: TargetOutlook,
    people_near: Mapping[str, IntervalSet],
    at: float,
    most_windows: int = MOST_WINDOWS_AHEAD,
) -> Form:
    """All that the first screen says of a target.

    Args:
        people_near: by sequence.
        at: the instant (s) from which on windows and contacts are of interest.
    """
    ahead = windows_ahead(outlook, at, most_windows)
    contact = first_from(outlook.contacts, at)
    return {
        "name": outlook.target,
        "problem": outlook.problem,
        "span": span_form(outlook.span),
        "elements": elements_form(outlook.elements, at),
        "contacts": len(outlook.contacts),
        "next_contact": None if contact is None else contact_form(contact),
        "windows": [window_form(outlook, each) for each in ahead],
        "gaps": spans_form(outlook.gaps),
        "maybe_in_view": [
            {"station": station, **span_form(each)}
            for station, spans in sorted(outlook.open_contacts.items())
            for each in spans
            if each[1] > at
        ],
        "sequences": [
            sequence_form(each, people_near.get(each.sequence, IntervalSet()))
            for each in outlook.forecasts
        ],
    }


def target_forms(
    snapshot: Snapshot, near: Callable[[TargetOutlook], Mapping[str, IntervalSet]], at: float
) -> list[Form]:
    """Every target's :func:`target_form`; ``near`` says when people are near, by sequence."""
    outlooks = snapshot.targets.values()
    most = MOST_WINDOWS_OF_MANY if len(outlooks) > MANY_TARGETS else MOST_WINDOWS_AHEAD
    return [target_form(outlook, near(outlook), at, most) for outlook in outlooks]


def service_form(snapshot: Snapshot) -> Form:
    """Whether the picture can be trusted: clock, configuration, ledger, planning."""
    configuration = snapshot.configuration
    return {
        "planned_at": time_text(snapshot.planned_at),
        "ledger_at": snapshot.ledger_at,
        "ledger_trouble": snapshot.ledger_trouble,
        "clock": {
            "trusted": snapshot.clock.trusted,
            "why": snapshot.clock.why,
            "offset_s": snapshot.clock.offset_s,
        },
        "configuration": {
            "digest": configuration.digest,
            "adopted_at": time_text(configuration.adopted_at or None),
            "problems": list(configuration.problems),
        },
    }


def people_near(sequences: Iterable[TimedSequence]) -> dict[str, IntervalSet]:
    """When people are near, by sequence."""
    return {each.name: each.people_near for each in sequences}


def strand_form(outlook: TargetOutlook, start: float, end: float) -> Form:
    """A target's contacts in columns, for drawing many thousands of them.

    Times are whole milliseconds of POSIX time, as scripts count it; elevations hundredths of a
    degree. ``windows`` are (from, to) pairs of the command service, ``maybe`` those in which a
    planned manoeuvre leaves open whether the target is in view, ``gaps`` those in which its motion
    is not known; ``uncertain_ms`` is how far AOS and LOS may be off.
    """
    by_station: dict[str, list[Contact]] = {}
    for contact in outlook.contacts:
        if contact.los > start and contact.aos < end:
            by_station.setdefault(contact.station, []).append(contact)
    commands = outlook.services.get(COMMAND, {})
    names = sorted({*by_station, *commands, *outlook.open_contacts})
    return {
        "target": outlook.target,
        "uncertain_ms": round(
            1000.0 * (outlook.elements.timing_error_s if outlook.elements else 0.0)
        ),
        "gaps": flat_spans(outlook.gaps.clip(start, end)),
        "stations": [
            {
                "station": name,
                **_columns(by_station.get(name, [])),
                "windows": flat_spans(commands.get(name, Coverage()).nominal.clip(start, end)),
                "maybe": flat_spans(
                    outlook.open_contacts.get(name, IntervalSet()).clip(start, end)
                ),
            }
            for name in names
        ],
    }


def _columns(contacts: list[Contact]) -> Form:
    return {
        "aos": [_milliseconds(each.aos) for each in contacts],
        "tca": [_milliseconds(each.tca) for each in contacts],
        "los": [_milliseconds(each.los) for each in contacts],
        "max": [round(100.0 * float(each.max_elevation_deg)) for each in contacts],
        "cut": [int(each.cut_at_start) + 2 * int(each.cut_at_end) for each in contacts],
    }


def flat_spans(spans: IntervalSet) -> list[int]:
    """From, to, from, to …, in whole milliseconds of POSIX time."""
    return [_milliseconds(each) for span in spans for each in span]


def _milliseconds(instant: float) -> int:
    return round(1000.0 * instants.to_unix(instant))
