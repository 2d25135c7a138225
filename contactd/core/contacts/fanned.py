"""Coverage while it is open what becomes of planned manoeuvres.

Each member of the fan is predicted for itself. What all of them share is certain; what any of them
may bring, and all that lies between, is possible; nominal is what is planned.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.coverage import Seen, seen_from, services
from contactd.core.contacts.table import ContactTable
from contactd.core.ground.links import Link
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S
from contactd.core.intervals import EMPTY, IntervalSet, intersection
from contactd.core.orbit.manoeuvres import Fan, fan_coverage
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.orbit.states import MU_KM3_S2
from contactd.core.orbit.track import Track

LONGEST_HALF_PERIOD_S = 5 * DAY_S


def fanned(
    fan: Fan, of: Callable[[Track], Coverage], half_period_s: float, never: IntervalSet
) -> Coverage:
    """Coverage that holds whatever comes of a fan's manoeuvres.

    Args:
        of: the coverage that one member would give.
        half_period_s: half of the orbit's period: contacts further apart are different ones.
        never: when there is none in any case, such as outages.
    """
    return _joined([of(track) for _, track in fan.members], half_period_s, never)


def fanned_contacts(
    contacts: Sequence[ContactTable], half_period_s: float
) -> dict[str, IntervalSet]:
    """By station, when the target may be in view: from the earliest AOS to the latest LOS.

    Args:
        contacts: of each member of a fan with the same stations, the nominal one first.
    """
    found = {}
    for station in contacts[0].stations:
        rows = [table.of(station=station) for table in contacts]
        sets = [IntervalSet(each.aos, each.los) for each in rows]
        found[station] = fan_coverage(sets, half_period_s).possible
    return found


def fanned_seen(
    fan: Fan,
    contacts: Sequence[ContactTable],
    stations: Sequence[Station],
    error: OrbitError,
    epoch: float,
) -> list[Seen]:
    """As :func:`contactd.core.contacts.coverage.seen_from`, of each member of a fan.

    Args:
        contacts: of each member.
    """
    return [
        seen_from(track, stations, table, error, epoch)
        for (_, track), table in zip(fan.members, contacts, strict=True)
    ]


def fanned_in_view(
    members: Sequence[Seen], stations: Sequence[Station], half_period_s: float
) -> dict[str, Coverage]:
    """By station, when the target is in view whatever comes of a fan's manoeuvres."""
    return {
        station.name: _joined(
            [seen[station.name, station.least_elevation_deg].coverage for seen in members],
            half_period_s,
            EMPTY,
        )
        for station in stations
    }


def fanned_services(
    fan: Fan,
    seen: Sequence[Seen],
    stations: Sequence[Station],
    error: OrbitError,
    epoch: float,
    span: tuple[float, float],
    links: Mapping[str, Link],
    half_period_s: float,
) -> dict[str, dict[str, Coverage]]:
    """As :func:`contactd.core.contacts.coverage.services`, over all members of a fan.

    Args:
        seen: of each member.
    """
    members = [
        services(track, stations, each, error, epoch, *span, links)
        for (_, track), each in zip(fan.members, seen, strict=True)
    ]
    out = {station.name: station.outages for station in stations}
    return {
        service: {
            station: _joined(
                [member[service][station] for member in members], half_period_s, out[station]
            )
            for station in by_station
        }
        for service, by_station in members[0].items()
    }


def half_period_s(track: Track, span: tuple[float, float]) -> float:
    """Half of the orbit's period (s), from the first state that a track has in a span."""
    valid = track.validity.clip(*span)
    if not valid:
        return LONGEST_HALF_PERIOD_S
    position, velocity = track.states(valid.starts[:1])
    distance, speed = float(np.linalg.norm(position)), float(np.linalg.norm(velocity))
    # Energy and Kepler's third law.
    inverse_axis = 2.0 / distance - speed**2 / MU_KM3_S2
    if not inverse_axis > 0:
        return LONGEST_HALF_PERIOD_S
    return min(math.pi * math.sqrt(inverse_axis**-3 / MU_KM3_S2), LONGEST_HALF_PERIOD_S)


def _joined(members: Sequence[Coverage], half_period_s: float, never: IntervalSet) -> Coverage:
    hull = fan_coverage([each.possible for each in members], half_period_s).possible
    return Coverage(
        nominal=members[0].nominal,
        certain=intersection(each.certain for each in members),
        possible=hull - never,
    )
