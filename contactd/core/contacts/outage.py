"""What a station's outages take of a contact, and why: the one place that says so."""

from __future__ import annotations

from dataclasses import dataclass

from contactd.core.contacts.contact import Contact
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet


@dataclass(frozen=True, slots=True)
class Outage:
    """An outage that takes a part of a contact, or all of it.

    Attributes:
        start, end: instants (s) between which the station is out, also beyond the contact.
        why: the reasons that are stated, joined by "; ", or "".
        usable: what all outages leave of the contact; empty where they take all of it.
    """

    start: float
    end: float
    why: str
    usable: IntervalSet

    @property
    def takes_all(self) -> bool:
        """Whether nothing of the contact can be used."""
        return not self.usable


def outage_of(contact: Contact, station: Station) -> Outage | None:
    """The first outage of the contact's station that meets the contact, or None."""
    return outage_in(contact.aos, contact.los, station)


def outage_in(start: float, end: float, station: Station) -> Outage | None:
    """The first outage of a station that meets a span (instants, s), or None."""
    out = station.outages
    if not out:
        return None
    first = int(out.ends.searchsorted(start, side="right"))
    if first == len(out.ends) or out.starts[first] >= end:
        return None
    begins, ends = float(out.starts[first]), float(out.ends[first])
    return Outage(
        begins,
        ends,
        reason_in(max(start, begins), min(end, ends), station),
        IntervalSet([start], [end]) - out,
    )


def reason_in(start: float, end: float, station: Station) -> str:
    """The stated reasons of a station's outages that meet a span (instants, s), or ""."""
    found = dict.fromkeys(
        why for a, b, why in station.outage_reasons if why and a < end and start < b
    )
    return "; ".join(found)
