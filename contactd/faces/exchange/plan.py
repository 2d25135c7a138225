"""A schedule as it is written down for others, or read from them: names as they stand there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from contactd.core.allocation.result import Grant
from contactd.core.errors import InputError

if TYPE_CHECKING:
    from contactd.core.ground.station import Station

MOST_ENTRIES = 100_000


@dataclass(frozen=True, slots=True)
class Entry:
    """Antenna time of one station for one target.

    Attributes:
        target, station: names as written.
        start, end: instants (s) from which until which the antenna follows the target.
        opens, closes: the same with setup and teardown; None where that is not said.
        services: what it is for.
        note: for people.
        aperture: the antenna's name, where the station's is that of the whole site.
        line: where it stands in the file, from 1; 0 if that is not known.
    """

    target: str
    station: str
    start: float
    end: float
    opens: float | None = None
    closes: float | None = None
    services: tuple[str, ...] = ()
    note: str = ""
    aperture: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True)
class Plan:
    """A schedule.

    Attributes:
        entries: in the order of their starts.
        start, end: instants (s) that it speaks for; None where it does not say.
        made_at: instant (s) at which it was made, if it says.
        origin: who made it, or "".
        status: what it says of itself, or "".
    """

    entries: tuple[Entry, ...]
    start: float | None = None
    end: float | None = None
    made_at: float | None = None
    origin: str = ""
    status: str = ""


def plan_of(
    grants: Iterable[Grant],
    stations: Mapping[str, Station],
    span: tuple[float, float],
    made_at: float,
    services: Mapping[tuple[str, str], str],
    origin: str = "contactd",
) -> Plan:
    """Grants as a schedule for others.

    Args:
        span: (start, end) instants (s) that it speaks for.
        services: of each request, by (target, name); "" or none for any service.
    """
    entries = []
    for grant in grants:
        place = stations.get(grant.station)
        wanted = {services.get((grant.target, name), "") for name in grant.requests} - {""}
        entries.append(
            Entry(
                target=grant.target,
                station=grant.station,
                start=grant.start,
                end=grant.end,
                opens=grant.start - (place.setup_s if place else 0.0),
                closes=grant.end + (place.teardown_s if place else 0.0),
                services=tuple(sorted(wanted)),
                note=", ".join(grant.requests),
            )
        )
    return Plan(in_order(entries), span[0], span[1], made_at, origin, "OPERATIONAL")


def in_order(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Entries in the order of their starts."""
    return tuple(sorted(entries, key=lambda each: (each.start, each.station, each.target)))


def check_entry(entry: Entry) -> Entry:
    """The entry itself.

    Raises:
        InputError: if it names nobody, or ends before it begins.
    """
    for name, word in (("target", entry.target), ("station", entry.station)):
        if not word.strip():
            raise InputError(f"the name of a {name}", "none", name, line=entry.line)
    if entry.end <= entry.start:
        raise InputError("an end after its start", "one that is not", "to", line=entry.line)
    return entry


def check_count(count: int) -> None:
    """Refuse more entries than anybody plans.

    Raises:
        InputError: if there are more.
    """
    if count > MOST_ENTRIES:
        raise InputError(f"at most {MOST_ENTRIES:,} contacts", f"{count:,}")
