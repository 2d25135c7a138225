"""Contacts that were missed: what is recorded of one, and coverage without them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.errors import InputError
from contactd.core.instants import from_text, to_text
from contactd.core.intervals import IntervalSet
from contactd.core.record import Record

LOOKED_AT_S = 43_200.0
"""A missed contact is looked for within so much of the moment that somebody names."""


def missed_contact(
    contacts: Iterable[Contact],
    station: str,
    at: float,
    recorded_at: float,
    until: float | None = None,
    why: str = "",
) -> dict[str, Any]:
    """Body for CONTACT_MISSED: a station missed the contact under way at ``at``.

    Args:
        contacts: of the target, as predicted around that moment.
        at: a moment in the contact (instant, s).
        until: when the station has it again (instant, s); None if not in this contact.

    Raises:
        InputError: for a moment in the future, bounds reversed, or a contact without a predicted
            end (a satellite that hangs in view) of which nobody says until when it is missed.
    """
    if at > recorded_at:
        raise InputError(f"a time not after now, {to_text(recorded_at, 0)}", to_text(at, 0), "at")
    if until is not None and until <= at:
        raise InputError(f"a time after {to_text(at, 0)}", to_text(until, 0), "until")
    contact = contact_at(contacts, station, at)
    if until is None and contact is not None and contact.cut_at_end:
        expected = (
            f"until when: no end of the contact is predicted before {to_text(contact.los, 0)}"
        )
        raise InputError(expected, "nothing", "until")
    body: dict[str, Any] = {"station": station, "at": to_text(at, 3), "why": why.strip()}
    if until is not None:
        body["until"] = to_text(until, 3)
    return body


def contact_at(contacts: Iterable[Contact], station: str, at: float) -> Contact | None:
    """The station's contact under way at an instant (s), if there is one."""
    for contact in contacts:
        if contact.station == station and contact.aos <= at <= contact.los:
            return contact
    return None


def without_missed(
    services: Mapping[str, Mapping[str, Coverage]],
    contacts: Iterable[Contact],
    records: Iterable[Record],
) -> dict[str, dict[str, Coverage]]:
    """Coverage by service and station, the missed contacts taken out.

    Args:
        records: of missed contacts (``CONTACT_MISSED``) of the same target.
    """
    left = {station: lost.complement() for station, lost in _lost(tuple(contacts), records).items()}
    return {
        service: {
            station: coverage.within(left[station]) if station in left else coverage
            for station, coverage in by_station.items()
        }
        for service, by_station in services.items()
    }


def _lost(contacts: tuple[Contact, ...], records: Iterable[Record]) -> dict[str, IntervalSet]:
    """When each station that missed some contact had none.

    That is half of the way to its contacts before and after, so that whatever the timing error
    nothing is left at the ends.
    """
    spans: dict[str, list[tuple[float, float]]] = {}
    for record in records:
        station = str(record.body.get("station", ""))
        missed = contact_at(contacts, station, from_text(str(record.body["at"])))
        if missed is None:
            continue
        others = [each for each in contacts if each.station == station]
        before = max((each.los for each in others if each.los < missed.aos), default=-math.inf)
        after = min((each.aos for each in others if each.aos > missed.los), default=math.inf)
        until = record.body.get("until")
        end = math.inf if until is None else from_text(str(until))
        spans.setdefault(station, []).append(
            ((before + missed.aos) / 2, min((missed.los + after) / 2, end))
        )
    return {station: IntervalSet.of(each) for station, each in spans.items()}
