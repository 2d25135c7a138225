"""Seeing a satellite by eye or camera."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from contactd.core.ground.sight import sight, sun_separation_deg
from contactd.core.ground.sighting import magnitude, phase_angle_deg, visible_intervals
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.intervals import EMPTY
from contactd.core.orbit import parse_tle
from contactd.core.orbit.eclipse import sunlit_fraction
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.sun import sun_elevation_deg

DATA = Path(__file__).parents[2] / "reference" / "data"
CASE = next(
    case for case in json.loads((DATA / "pass_cases.json").read_text())["cases"]
    if case["id"] == "S03"
)  # fmt: skip
TRACK = Sgp4Track(parse_tle(f"{CASE['tle_line1']}\n{CASE['tle_line2']}")[0])
STATION = Station("s", CASE["station"]["lat_deg"], CASE["station"]["lon_deg"], 0.0, 10.0)
START = from_text(CASE["window_start_utc"])


def test_phase_and_separation_are_the_two_other_angles_of_one_triangle() -> None:
    # Source: the Sun is so far that the angles at station and satellite add up to 180 degrees but
    # for the parallax (range / au).
    at = START + np.arange(0, 86400, 300.0)
    seen = sight(TRACK, STATION, at)
    total = phase_angle_deg(TRACK, STATION, at) + sun_separation_deg(STATION, seen, at)
    assert np.abs(total - 180).max() < np.degrees(seen.range_km.max() / 1.47e8) + 1e-6


def test_magnitude_is_the_standard_one_at_1000_km_and_half_phase_and_follows_the_range() -> None:
    # Source: definition of the standard magnitude; inverse square of the range.
    at = START + np.arange(0, 86400, 10.0)
    phase = phase_angle_deg(TRACK, STATION, at)
    half = at[np.abs(phase - 90.0) < 0.3]
    assert len(half) > 3
    range_km = sight(TRACK, STATION, half).range_km
    expected = 4.0 + 5 * np.log10(range_km / 1000)
    assert magnitude(TRACK, STATION, half, 4.0) == pytest.approx(expected, abs=0.02)


def test_brightness_follows_the_lit_part_as_of_a_dull_sphere() -> None:
    # Source: Lambert sphere: phase function (pi - phi) cos phi + sin phi (Russell 1916), which is
    # pi at full phase, 1 at half phase and 0 at none.
    at = START + np.arange(0, 86400, 60.0)
    phase = np.radians(phase_angle_deg(TRACK, STATION, at))
    range_km = sight(TRACK, STATION, at).range_km
    flux = 10 ** (-0.4 * (magnitude(TRACK, STATION, at, 4.0) - 4.0)) * (range_km / 1000) ** 2
    assert flux == pytest.approx((np.pi - phase) * np.cos(phase) + np.sin(phase), abs=1e-9)
    assert flux.max() < np.pi
    order = np.argsort(phase)
    assert (np.diff(flux[order]) <= 1e-9).all()


def test_it_is_seen_exactly_when_it_is_up_and_lit_and_the_station_is_dark() -> None:
    end = START + 4 * 86400.0
    found = visible_intervals(TRACK, STATION, START, end)
    assert found
    at = np.arange(START, end, 5.0)
    seen = sight(TRACK, STATION, at)
    truth = (
        (seen.elevation_deg > 10.0)
        & (sunlit_fraction(at, TRACK.states(at)[0]) == 1.0)
        & (sun_elevation_deg(STATION, at) < -6.0)
    )
    edges = np.concatenate([found.starts, found.ends])
    clear = np.abs(at[:, None] - edges[None, :]).min(axis=1) > 0.05
    assert np.array_equal(found.holds(at)[clear], truth[clear])


def test_in_the_white_nights_nothing_is_seen() -> None:
    station = Station("north", 78.0, 15.0)
    june = from_text("2024-06-21T00:00:00Z")
    assert visible_intervals(TRACK, station, june, june + 86400.0) == EMPTY
