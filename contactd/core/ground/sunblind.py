"""Sun in the beam: when the Sun's noise, or its heat, forbids to follow a target.

Source: geometry; the limit angle is the station's own (common practice: a little more than the
beam's half-width plus the Sun's 0.27 degree).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.ground.sight import sight, sun_separation_deg
from contactd.core.ground.station import Station
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit.crossings import positive_intervals
from contactd.core.orbit.sun import dark_intervals
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

_SAMPLES_A_RADIAN: Final = 60.0
_LONGEST_STEP_S: Final = 60.0


def sun_exclusion_intervals(
    track: Track, station: Station, limit_deg: float, spans: IntervalSet
) -> IntervalSet:
    """When, within some spans, the Sun's centre stands nearer than a limit (deg) to the target.

    Seen from a station, and only while the Sun's disc is above the geometric horizon: below it no
    beam meets it.
    """
    if limit_deg <= 0:
        return EMPTY

    def quantity(at: FloatArray) -> FloatArray:
        seen = sight(track, station, at)
        return limit_deg - sun_separation_deg(station, seen, at)

    step_s = min(1.0 / (_SAMPLES_A_RADIAN * track.fastest_rate_rad_s), _LONGEST_STEP_S)
    near = positive_intervals(quantity, spans & track.validity, step_s)
    if not near:
        return EMPTY
    return near - dark_intervals(station, spans, sun_elevation_deg=-0.27)
