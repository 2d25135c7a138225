"""What an antenna's mount can follow: its highest elevation, and the keyhole near the zenith.

A mount that turns in azimuth and elevation must turn the faster, the nearer a target passes to the
zenith. Where the target asks for more than the mount's greatest rate, the mount runs at that rate
until it has caught up; for as long as the beam is off by more than its half-width, the target is
lost.

Source: geometry of an elevation-over-azimuth mount (common practice, no source): the azimuth rate
grows as 1 / cos(elevation).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.ground.sight import Sight, sight
from contactd.core.ground.station import NO_LIMITS, AntennaLimits, Station
from contactd.core.intervals import EMPTY, IntervalSet, union
from contactd.core.orbit.crossings import positive_intervals, samples
from contactd.core.orbit.track import Track

__all__ = ["NO_LIMITS", "AntennaLimits", "keyhole_intervals"]

FloatArray = NDArray[np.float64]

_SAMPLES_A_RADIAN: Final = 2_000.0
_LOOKS_A_RADIAN: Final = 60.0
_STRONGEST_PULL_KM_S2: Final = 0.012
"""More than gravity and the Earth's turning bend any path in the Earth-fixed frame."""
_STRONGEST_REFRACTION_DEG: Final = 1.0
_SHORTEST_STEP_S: Final = 0.2
_LONGEST_STEP_S: Final = 20.0
_CATCH_UP_STEPS: Final = 20_000


def keyhole_intervals(
    track: Track, station: Station, limits: AntennaLimits, spans: IntervalSet
) -> IntervalSet:
    """When, within some spans, the mount cannot point at the target or has not caught up with it.

    Args:
        spans: such as contacts, from AOS to LOS: the mount is taken to wait at the start of each
            in the right direction.
    """
    step_s = min(
        max(1.0 / (_SAMPLES_A_RADIAN * track.fastest_rate_rad_s), _SHORTEST_STEP_S),
        _LONGEST_STEP_S,
    )
    known = _may_lose(track, station, limits, spans & track.validity)
    lost = [EMPTY]
    if limits.highest_elevation_deg < 90.0:
        lost.append(
            positive_intervals(
                lambda at: (
                    sight(track, station, at).pointing_elevation_deg - limits.highest_elevation_deg
                ),
                known,
                step_s,
            )
        )
    for axis, greatest in enumerate((limits.azimuth_rate_deg_s, limits.elevation_rate_deg_s)):
        if greatest is not None:
            chase = _Chase(track, station, axis, greatest, limits.half_beam_deg, step_s)
            lost.append(chase.lost(known))
    return union(lost)


def _may_lose(
    track: Track, station: Station, limits: AntennaLimits, spans: IntervalSet
) -> IntervalSet:
    """The spans in which the mount may lose the target; in all others it certainly does not.

    Between two samples the target is no farther from the nearer one than its greatest speed takes
    it in half the time: so near the zenith, and so fast, it can be there at the most.
    """
    if not spans:
        return EMPTY
    at, span = samples(spans, 1.0 / (_LOOKS_A_RADIAN * track.fastest_rate_rad_s))
    seen = sight(track, station, at)
    elevation = np.radians(seen.elevation_deg)
    level, up = seen.range_km * np.cos(elevation), seen.range_km * np.sin(elevation)
    turning = level * np.radians(seen.azimuth_rate_deg_s)
    rising = seen.range_km * np.radians(seen.elevation_rate_deg_s)
    speed = np.sqrt(seen.range_rate_km_s**2 + turning**2 + rising**2)
    apart_s = np.diff(at)
    fastest = np.maximum(speed[1:], speed[:-1]) + _STRONGEST_PULL_KM_S2 * apart_s
    off_km = fastest * apart_s / 2
    nearest_km = np.minimum(seen.range_km[1:], seen.range_km[:-1]) - off_km
    level_km = np.minimum(level[1:], level[:-1]) - off_km
    highest_deg = np.degrees(np.arctan2(np.maximum(up[1:], up[:-1]) + off_km, level_km))
    if station.refraction:
        highest_deg += _STRONGEST_REFRACTION_DEG
    safe = (level_km > 0.0) & (nearest_km > 0.0)
    if limits.highest_elevation_deg < 90.0:
        safe &= highest_deg < limits.highest_elevation_deg
    for rate, distance in (
        (limits.azimuth_rate_deg_s, level_km),
        (limits.elevation_rate_deg_s, nearest_km),
    ):
        if rate is not None:
            safe &= fastest < np.radians(rate) * distance
    unsafe = np.zeros(len(spans), dtype=np.bool_)
    unsafe[span[:-1][~safe & (span[1:] == span[:-1])]] = True
    return IntervalSet(spans.starts[unsafe], spans.ends[unsafe])


@dataclass(frozen=True, slots=True)
class _Chase:
    """One axis of the mount, running after a target that is too fast for it.

    ``axis`` 0 is azimuth, 1 elevation.
    """

    track: Track
    station: Station
    axis: int
    greatest_deg_s: float
    half_beam_deg: float
    step_s: float

    def lost(self, spans: IntervalSet) -> IntervalSet:
        """When, within some spans, the target is out of the beam because of this axis."""
        too_fast = positive_intervals(self._excess, spans, self.step_s)
        lost: list[IntervalSet] = []
        caught_up = -np.inf
        for begins, ends in too_fast:
            if ends <= caught_up:
                continue
            span = spans.interval_at(begins)
            assert span is not None  # it was found there
            found, caught_up = self._from(max(begins, caught_up), ends, span[1])
            lost.append(found)
        return union(lost)

    def _excess(self, at: FloatArray) -> FloatArray:
        return np.abs(self._rate(sight(self.track, self.station, at))) - self.greatest_deg_s

    def _rate(self, seen: Sight) -> FloatArray:
        return seen.elevation_rate_deg_s if self.axis else seen.azimuth_rate_deg_s

    def _from(self, begins: float, ends: float, last: float) -> tuple[IntervalSet, float]:
        """When the beam is off in one chase, and when the chase is over."""
        count = int(min(max((last - begins) / self.step_s, 2), _CATCH_UP_STEPS)) + 1
        # Fine steps through the fast part, so that no half turn of azimuth is mistaken.
        at = np.unique(
            np.concatenate(
                [np.linspace(begins, min(ends, last), 257), np.linspace(begins, last, count)]
            )
        )
        seen = sight(self.track, self.station, at)
        angle = seen.elevation_deg if self.axis else _unwrapped(seen.azimuth_deg)
        sense = np.sign(self._rate(seen)[1]) or 1.0
        behind = sense * (angle - angle[0]) - self.greatest_deg_s * (at - begins)
        caught = np.flatnonzero((behind <= 0) & (at > ends))
        stop = int(caught[0]) if len(caught) else len(at) - 1
        over = float(at[stop])
        share = 1.0 if self.axis else np.cos(np.radians(seen.elevation_deg))
        off = behind * share - self.half_beam_deg
        return _above(at[: stop + 1], off[: stop + 1]), over


def _unwrapped(azimuth_deg: FloatArray) -> FloatArray:
    return np.asarray(np.degrees(np.unwrap(np.radians(azimuth_deg))), dtype=np.float64)


def _above(at: FloatArray, value: FloatArray) -> IntervalSet:
    """Where samples joined by straight lines stand above 0."""
    high = value > 0
    turns = np.flatnonzero(high[1:] != high[:-1])
    share = value[turns] / (value[turns] - value[turns + 1])
    edges = at[turns] + share * (at[turns + 1] - at[turns])
    starts, ends = edges[~high[turns]], edges[high[turns]]
    if high[0]:
        starts = np.concatenate([[at[0]], starts])
    if high[-1]:
        ends = np.concatenate([ends, [at[-1]]])
    return IntervalSet(starts, ends)
