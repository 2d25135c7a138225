"""Documents of contacts, windows and stations."""

from __future__ import annotations

import math

from contactd.core import instants
from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.contacts.outage import Outage, outage_of
from contactd.core.contacts.spread import ContactSpread
from contactd.core.contacts.table import meeting
from contactd.core.ground.station import Station, StationStatus
from contactd.core.ground.status import degraded_in
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import TargetOutlook
from contactd.mission.documents.orbit_error import orbit_error_form
from contactd.mission.documents.spans import Form, inner_form, outer_form
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, machine

COMMAND = "command"


def contact_form(
    contact: Contact,
    station: Station | None,
    spread: ContactSpread | None = None,
    orbit_error: Form | None = None,
) -> Form:
    """One contact, as :class:`~contactd.mission.documents.models.Contact` describes it.

    Args:
        station: its station, for the outages; None if it is not configured any more.
        spread: how far it may be off, if that is known.
        orbit_error: what that rests on.
    """
    aos, los = machine(contact.aos, NO_LATER), machine(contact.los, NO_LATER)
    out = None if station is None else outage_of(contact, station)
    degraded = None if station is None else degraded_in(contact.aos, contact.los, station)
    return {
        "target": contact.target,
        "station": contact.station,
        "aos": aos,
        "tca": machine(contact.tca, NEAREST),
        "los": los,
        "aos_azimuth_deg": round(float(contact.aos_azimuth_deg), 3),
        "tca_azimuth_deg": round(float(contact.tca_azimuth_deg), 3),
        "los_azimuth_deg": round(float(contact.los_azimuth_deg), 3),
        "max_elevation_deg": round(float(contact.max_elevation_deg), 4),
        "tca_range_km": round(float(contact.tca_range_km), 3),
        "duration_s": round(float(contact.duration_s), 3),
        "cut_at_start": bool(contact.cut_at_start),
        "cut_at_end": bool(contact.cut_at_end),
        "outage": None if out is None else outage_form(out),
        "usable": [{"from": aos, "to": los}] if out is None else _usable(contact, out, aos),
        "degraded": None if degraded is None else status_form(degraded),
        **spread_form(spread),
        "orbit_error": orbit_error,
    }


def outlook_contact_form(
    outlook: TargetOutlook | None, contact: Contact, station: Station | None
) -> Form:
    """One contact of an outlook, with how far it may be off."""
    if outlook is None or outlook.elements is None:
        return contact_form(contact, station)
    known = outlook.elements
    error = orbit_error_form(known.error, contact.aos - known.epoch)
    return contact_form(contact, station, outlook.spread_of(contact), error)


def spread_form(spread: ContactSpread | None) -> Form:
    """How far a contact may be off, and how likely it is."""
    if spread is None:
        return dict.fromkeys(
            (
                "aos_early", "aos_late", "los_early", "los_late", "certain_from", "certain_until",
                "existence_probability",
            )
        )  # fmt: skip
    certain = spread.certain or (None, None)
    return {
        "aos_early": machine(spread.aos[0], NO_LATER),
        "aos_late": machine(spread.aos[1], NO_EARLIER),
        "los_early": machine(spread.los[0], NO_LATER),
        "los_late": machine(spread.los[1], NO_EARLIER),
        "certain_from": machine(certain[0], NO_EARLIER),
        "certain_until": machine(certain[1], NO_LATER),
        "existence_probability": round(spread.existence_probability, 4),
    }


def _usable(contact: Contact, out: Outage, aos: str | None) -> list[Form]:
    left = [inner_form(each) for each in out.usable]
    if left and out.usable.starts[0] == contact.aos:
        left[0]["from"] = aos
    return left


def outage_form(out: Outage) -> Form:
    """``{"from": …, "to": …, "why": …}``."""
    return {**outer_form((out.start, out.end)), "why": out.why}


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
        "outages": [outer_form(each) for each in station.outages],
        "stated": stated_forms(station),
    }


def stated_forms(station: Station, at: float = -math.inf) -> list[Form]:
    """What is stated of a station and not over at an instant (s), in order of time."""
    return [status_form(each) for each in station.stated if each.end > at]


def status_form(stated: StationStatus) -> Form:
    """What somebody stated of a station; ``to`` is None until further notice."""
    return {
        **outer_form((stated.start, stated.end)),
        "status": stated.status,
        "why": stated.why,
        "author": stated.author,
        "record": stated.record,
    }


def windows(
    outlook: TargetOutlook,
    service: str = COMMAND,
    from_s: float = -math.inf,
    most: int | None = None,
) -> list[tuple[float, float, str]]:
    """A service's windows that end after an instant (s): (start, end, station), by start."""
    return sorted(outlook.windows(service, from_s, most=most))[:most]


def window_form(
    outlook: TargetOutlook, window: tuple[float, float, str], service: str = COMMAND
) -> Form:
    """One window, its certain part, and the contact that it is part of."""
    start, end, station = window
    certain = outlook.services[service][station].certain.clip(start, end)
    contact = meeting(outlook.contacts, station, start, end)
    return {
        **inner_form((start, end)),
        "target": outlook.target,
        "station": station,
        "service": service,
        "beyond_prediction": end >= outlook.span[1],
        "certain": inner_form((float(certain.starts[0]), float(certain.ends[-1])))
        if certain
        else None,
        "aos": None if contact is None else machine(contact.aos, NO_LATER),
        "los": None if contact is None else machine(contact.los, NO_LATER),
        "max_elevation_deg": None if contact is None else round(contact.max_elevation_deg, 2),
    }


def timeline_form(outlook: TargetOutlook, start: float, end: float) -> Form:
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
        "aos": [milliseconds(each.aos) for each in contacts],
        "tca": [milliseconds(each.tca) for each in contacts],
        "los": [milliseconds(each.los) for each in contacts],
        "max": [round(100.0 * float(each.max_elevation_deg)) for each in contacts],
        "cut": [int(each.cut_at_start) + 2 * int(each.cut_at_end) for each in contacts],
    }


def flat_spans(spans: IntervalSet) -> list[int]:
    """From, to, from, to …, in whole milliseconds of POSIX time."""
    return [milliseconds(each) for span in spans for each in span]


def milliseconds(instant: float) -> int:
    """Whole milliseconds of POSIX time, to the nearest: places on a drawing, never read as text."""
    return round(1000.0 * instants.to_unix(instant))
