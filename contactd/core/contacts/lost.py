"""What of contacts is lost to the mount, the Sun or the radio link, for a whole set of motions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.offset_track import OffsetTrack, offsets_over
from contactd.core.ground.station import Station
from contactd.core.ground.usable import trackable_part, within_link
from contactd.core.intervals import IntervalSet, intersection, union
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.orbit.track import Track

if TYPE_CHECKING:
    from contactd.core.ground.links import Link

WIDEST_GAP_S = 4.0
MOST_OFFSETS = 9
EARTH_TURN_SLACK = 1.15
"""The Earth turns while the target goes from one offset to the next: at most a seventh as fast."""


def lost_within(
    track: Track,
    station: Station,
    seen: Coverage,
    link: Link | None,
    error: OrbitError,
    epoch: float,
) -> Coverage:
    """When a contact is of no use: nominal, certainly lost, possibly lost.

    Looked at for offsets all over the orbit's error. Between two of them what is lost moves by
    little more than the distance of the offsets, and by the displacement across the track.

    Args:
        seen: when the target is above the station's horizon.
        link: that the service needs, or None.
        error: of the orbit.
        epoch: instant (s) that the error's age counts from.
    """

    def lost(motion: Track, contacts: IntervalSet) -> IntervalSet:
        followed = trackable_part(motion, station, contacts) if station.is_limited else contacts
        return contacts - within_link(motion, station, followed, link)

    nominal = lost(track, seen.nominal)
    if error.is_exact or not seen.possible:
        return Coverage(nominal, nominal, nominal)
    speed_km_s = float(np.linalg.norm(track.states(seen.possible.starts[-1:])[1]))
    across_s = error.displacement_km / speed_km_s if speed_km_s > 0 else error.displacement_km
    bounds_s = np.maximum(
        error.bounds_s(seen.possible.starts - epoch), error.bounds_s(seen.possible.ends - epoch)
    )
    # Contacts far from the epoch need more offsets than those near it.
    grades = np.exp2(np.ceil(2.0 * np.log2(bounds_s)) / 2.0)
    surely, perhaps = [], []
    for grade in sorted(set(grades.tolist())):
        contacts = IntervalSet(
            seen.possible.starts[grades == grade], seen.possible.ends[grades == grade]
        )
        offsets = offsets_over(grade, WIDEST_GAP_S, MOST_OFFSETS)
        found = [lost(OffsetTrack(track, float(each)), contacts) for each in offsets]
        moved_s = EARTH_TURN_SLACK * (0.5 * float(offsets[1] - offsets[0]) + across_s)
        surely.append(intersection(each.shrink(moved_s, moved_s) for each in found))
        perhaps.append(union(each.grow(moved_s, moved_s) for each in found))
    return Coverage(nominal, union(surely), union(perhaps))
