"""The part of contacts in which a station can really work: mount, Sun and radio link allowing."""

from __future__ import annotations

from contactd.core.ground.antenna import keyhole_intervals
from contactd.core.ground.links import Link, usable_intervals
from contactd.core.ground.station import Station
from contactd.core.ground.sunblind import sun_exclusion_intervals
from contactd.core.intervals import IntervalSet, union
from contactd.core.orbit.track import Track


def usable_part(
    track: Track, station: Station, contacts: IntervalSet, link: Link | None = None
) -> IntervalSet:
    """The part of contacts in which the mount follows, the Sun is away, and the link suffices.

    Args:
        contacts: from AOS to LOS each; the mount is taken to wait at AOS in the right direction.
        link: with its required margin, or None not to look at any.

    Raises:
        MissingExtraError: if the link asks for attenuation and the package for it is not there.
    """
    usable = contacts
    if not station.antenna.limits_nothing:
        usable = usable - union(
            keyhole_intervals(track, station, station.antenna, start, end)
            for start, end in contacts
        )
    if station.sun_exclusion_deg > 0:
        usable = usable - union(
            sun_exclusion_intervals(track, station, station.sun_exclusion_deg, start, end)
            for start, end in contacts
        )
    if link is not None:
        usable = usable & union(
            usable_intervals(track, station, link, start, end) for start, end in contacts
        )
    return usable
