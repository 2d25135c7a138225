"""Where a target is seen and stands: sampled figures for the sky, the ground and the timeline."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from contactd.core import instants
from contactd.core.contacts.contact import Contact
from contactd.core.ground.links import Link, link_budget
from contactd.core.ground.look import Look, look
from contactd.core.ground.sight import sight
from contactd.core.ground.station import Station
from contactd.core.orbit.eclipse import sunlit_fraction
from contactd.core.orbit.frames import fixed_to_geodetic, teme_to_fixed
from contactd.core.orbit.moon import moon_lit_fraction, moon_position_km
from contactd.core.orbit.sun import sun_azimuth_elevation_deg, sun_position_fixed_km
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

PROFILE_POINTS = 17
MOST_SKY_POINTS = 260
MOST_GROUND_POINTS = 900
STEPS_S = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 21_600)
LIGHT_SPEED_KM_S = 299_792.458


def even_instants(start: float, end: float, most: int) -> FloatArray:
    """Both ends, and between them instants on whole UTC multiples of a round step.

    So that whole minutes are among them wherever the step divides a minute.
    """
    step = next((s for s in STEPS_S if (end - start) / s <= most - 2), STEPS_S[-1])
    first = instants.from_unix(math.ceil(instants.to_unix(start) / step) * step)
    inner = np.arange(first, end, step)
    return np.unique(np.concatenate([[start], inner[(inner > start) & (inner < end)], [end]]))


def seen_from(track: Track, station: Station, at: FloatArray) -> Look:
    """Look angles of a track from a station at instants ``[n]`` (s); NaN where it has no state."""
    position, velocity = teme_to_fixed(at, *track.states(at))
    return look(station, position, velocity)


def profiles(
    track: Track, stations: dict[str, Station], contacts: Sequence[Contact]
) -> list[dict[str, Any]]:
    """The elevation of each contact at evenly spread instants from AOS to LOS.

    Elevations are whole hundredths of a degree, as drawing needs them.
    """
    if not contacts:
        return []
    part = np.linspace(0.0, 1.0, PROFILE_POINTS)
    at = np.array([c.aos + part * (c.los - c.aos) for c in contacts])
    position, velocity = track.states(at.ravel())
    fixed, moving = teme_to_fixed(at.ravel(), position, velocity)
    fixed, moving = fixed.reshape(*at.shape, 3), moving.reshape(*at.shape, 3)
    made = []
    for row, contact in enumerate(contacts):
        elevation = look(stations[contact.station], fixed[row], moving[row]).elevation_deg
        made.append(
            {
                "station": contact.station,
                "aos": round(1000.0 * instants.to_unix(contact.aos)),
                "elevations": [int(each) for each in np.rint(100.0 * np.nan_to_num(elevation))],
            }
        )
    return made


def sky_samples(track: Track, station: Station, start: float, end: float) -> dict[str, Any]:
    """Pointing, range and Doppler through a contact, in columns; Sun and Moon at its beginning,
    middle and end.

    ``doppler_ppm`` is the one-way shift of a signal from the target in millionths of its frequency,
    first order (−range rate / c); a signal sent to it needs the opposite.
    """
    at = even_instants(start, end, MOST_SKY_POINTS)
    seen = seen_from(track, station, at)
    position, _ = track.states(at)
    around = at[[0, len(at) // 2, -1]]
    sun_azimuth, sun_elevation = sun_azimuth_elevation_deg(station, around)
    moon_fixed, still = teme_to_fixed(around, moon_position_km(around), np.zeros((3, 3)))
    moon = look(station, moon_fixed, still)
    return {
        "unix_ms": _milliseconds(at),
        "azimuth_deg": _rounded(seen.azimuth_deg, 3),
        "elevation_deg": _rounded(seen.elevation_deg, 3),
        "range_km": _rounded(seen.range_km, 3),
        "range_rate_km_s": _rounded(seen.range_rate_km_s, 5),
        "doppler_ppm": _rounded(-1e6 * seen.range_rate_km_s / LIGHT_SPEED_KM_S, 4),
        "sunlit": _rounded(sunlit_fraction(at, position), 3),
        "sun": {
            "azimuth_deg": _rounded(sun_azimuth, 2),
            "elevation_deg": _rounded(sun_elevation, 2),
        },
        "moon": {
            "azimuth_deg": _rounded(moon.azimuth_deg, 1),
            "elevation_deg": _rounded(moon.elevation_deg, 1),
            "lit_fraction": _rounded(moon_lit_fraction(around), 2),
        },
    }


def link_margins(
    track: Track, station: Station, links: Sequence[Link], start: float, end: float
) -> list[dict[str, Any]]:
    """The margin of each link at the instants of :func:`sky_samples`, and what is wanted of it."""
    if not links:
        return []
    seen = sight(track, station, even_instants(start, end, MOST_SKY_POINTS))
    return [
        {
            "name": link.name,
            "direction": link.direction.value,
            "frequency_mhz": link.frequency_hz / 1e6,
            "required_margin_db": link.required_margin_db,
            "margin_db": _rounded(link_budget(link, station, seen).margin_db, 2),
        }
        for link in links
    ]


def ground_samples(track: Track, start: float, end: float) -> dict[str, Any]:
    """The point below the target, its height, and the point below the Sun, in columns."""
    at = even_instants(start, end, MOST_GROUND_POINTS)
    position, velocity = track.states(at)
    fixed, _ = teme_to_fixed(at, position, velocity)
    latitude, longitude, altitude = fixed_to_geodetic(fixed)
    sun_latitude, sun_longitude, _ = fixed_to_geodetic(sun_position_fixed_km(at))
    return {
        "unix_ms": _milliseconds(at),
        "latitude_deg": _rounded(latitude, 4),
        "longitude_deg": _rounded(longitude, 4),
        "altitude_km": _rounded(altitude / 1000.0, 2),
        "sunlit": _rounded(sunlit_fraction(at, position), 2),
        "sun_latitude_deg": _rounded(sun_latitude, 3),
        "sun_longitude_deg": _rounded(sun_longitude, 3),
    }


def _milliseconds(at: FloatArray) -> list[int]:
    return [round(1000.0 * instants.to_unix(float(each))) for each in at]


def _rounded(values: FloatArray, digits: int) -> list[float | None]:
    """Rounded; what is not a number has no JSON form and is None."""
    return [
        round(float(each), digits) if math.isfinite(each) else None
        for each in np.atleast_1d(values)
    ]
