"""The part of contacts in which a station can really work: mount, Sun and radio link allowing."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.track import Track

if TYPE_CHECKING:
    from contactd.core.ground.links import Link


def trackable_part(track: Track, station: Station, contacts: IntervalSet) -> IntervalSet:
    """The part of contacts in which the mount can follow and the Sun is not in the beam.

    Args:
        contacts: from AOS to LOS each; the mount is taken to wait at AOS in the right direction.
    """
    from contactd.core.ground.antenna import keyhole_intervals
    from contactd.core.ground.sunblind import sun_exclusion_intervals

    usable = contacts
    if not station.antenna.limits_nothing:
        usable = usable - keyhole_intervals(track, station, station.antenna, contacts)
    if station.sun_exclusion_deg > 0:
        limit_deg = station.sun_exclusion_deg
        usable = usable - sun_exclusion_intervals(track, station, limit_deg, contacts)
    return usable


def within_link(
    track: Track, station: Station, contacts: IntervalSet, link: Link | None
) -> IntervalSet:
    """The part of contacts in which a radio link has its required margin; all without a link.

    Raises:
        MissingExtraError: if the link asks for attenuation and the package for it is not there.
    """
    if link is None:
        return contacts
    from contactd.core.ground.links import usable_intervals

    return contacts & usable_intervals(track, station, link, contacts)
