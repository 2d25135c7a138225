"""Coverage without the contacts that are recorded as missed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.record import Record

AROUND_S = 1.0
"""Taken out before AOS and after LOS too, so that no timing error leaves a sliver."""


def without_missed(
    services: Mapping[str, Mapping[str, Coverage]],
    contacts: Iterable[Contact],
    records: Iterable[Record],
) -> dict[str, dict[str, Coverage]]:
    """Coverage by service and station, the missed contacts taken out.

    Args:
        records: of missed contacts (``CONTACT_MISSED``) of the same target.
    """
    known = tuple(contacts)
    missed = [contact for record in records for contact in known if _is_of(record, contact)]
    result: dict[str, dict[str, Coverage]] = {}
    for service, by_station in services.items():
        result[service] = {}
        for station, coverage in by_station.items():
            lost = IntervalSet.of(
                (each.aos - AROUND_S, each.los + AROUND_S)
                for each in missed
                if each.station == station
            )
            result[service][station] = Coverage(
                coverage.nominal - lost, coverage.certain - lost, coverage.possible - lost
            )
    return result


def _is_of(record: Record, contact: Contact) -> bool:
    at = from_text(str(record.body["at"]))
    return record.body.get("station") == contact.station and contact.aos <= at <= contact.los
