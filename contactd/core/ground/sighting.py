"""Seeing a satellite by eye or camera: it is lit, the station is dark, and it is bright enough.

Source: a sphere that scatters as Lambert's law says has the phase function
((π − φ) cos φ + sin φ) / π (Russell 1916); magnitudes are counted from the standard magnitude at
1000 km and a phase angle of 90 degrees (common practice of observers, no source).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.ground.look import east_north_up, mask_elevation_deg
from contactd.core.ground.sight import angle_deg, sight
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.crossings import positive_intervals
from contactd.core.orbit.eclipse import sunlit_intervals
from contactd.core.orbit.sun import CIVIL_DUSK_DEG, dark_intervals, sun_position_fixed_km
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

_SAMPLES_A_RADIAN: Final = 20.0
_LONGEST_STEP_S: Final = 60.0


def phase_angle_deg(track: Track, station: Station, instants: ArrayLike) -> FloatArray:
    """Angle (deg) at the satellite between the Sun and the station, ``[n]``.

    0 shows the full lit side, 180 the dark one.
    """
    at = np.atleast_1d(np.asarray(instants, dtype=np.float64))
    seen = sight(track, station, at)
    axes = east_north_up(station.latitude_deg, station.longitude_deg)
    to_sun = sun_position_fixed_km(at) - seen.target_fixed_km
    return angle_deg(-seen.toward @ axes, to_sun)


def magnitude(
    track: Track, station: Station, instants: ArrayLike, standard_magnitude: float
) -> FloatArray:
    """Rough visual magnitude of the lit satellite, ``[n]``; shadow and air are left aside.

    Args:
        standard_magnitude: at 1000 km and 90 degrees of phase.
    """
    phase = np.radians(phase_angle_deg(track, station, instants))
    range_km = sight(track, station, instants).range_km
    lit = np.maximum((np.pi - phase) * np.cos(phase) + np.sin(phase), 1e-12)
    return np.asarray(
        standard_magnitude + 5.0 * np.log10(range_km / 1000.0) - 2.5 * np.log10(lit),
        dtype=np.float64,
    )


def visible_intervals(
    track: Track,
    station: Station,
    start: float,
    end: float,
    sun_elevation_deg: float = CIVIL_DUSK_DEG,
) -> IntervalSet:
    """When the satellite stands above the station's mask in full sunlight, and the station is dark.

    Args:
        sun_elevation_deg: the station is dark while the Sun is below it.
    """

    def clearance(at: FloatArray) -> FloatArray:
        seen = sight(track, station, at)
        return seen.pointing_elevation_deg - mask_elevation_deg(station, seen.azimuth_deg)

    dark = dark_intervals(station, start, end, sun_elevation_deg)
    step_s = min(1.0 / (_SAMPLES_A_RADIAN * track.fastest_rate_rad_s), _LONGEST_STEP_S)
    up = positive_intervals(clearance, start, end, step_s, within=track.validity & dark)
    return up & sunlit_intervals(track, start, end) if up else up
