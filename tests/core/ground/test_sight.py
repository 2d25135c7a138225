"""What a station sees of a target and of the Sun beside it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from skyfield.api import EarthSatellite, load, wgs84

from contactd.core.ground.refraction import refraction_deg
from contactd.core.ground.sight import nadir_angle_deg, sight, sun_separation_deg
from contactd.core.ground.station import Station
from contactd.core.ground.sunblind import sun_exclusion_intervals
from contactd.core.instants import from_text
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit import parse_tle
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.sun import sun_azimuth_elevation_deg

DATA = Path(__file__).parents[2] / "reference" / "data"
CASES = json.loads((DATA / "pass_cases.json").read_text())["cases"]


def scene(case: dict) -> tuple[Sgp4Track, Station]:
    (elements,) = parse_tle(f"{case['tle_line1']}\n{case['tle_line2']}")
    place = case["station"]
    return Sgp4Track(elements), Station(
        place["name"], place["lat_deg"], place["lon_deg"], place["alt_m"]
    )


def case_named(name: str) -> dict:
    return next(case for case in CASES if case["id"] == name)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_angles_range_and_range_rate_are_those_of_the_reference(case: dict) -> None:
    # Source: reference pass cases (skyfield; differences of other libraries stand beside them).
    track, station = scene(case)
    for shot in case["expected"]["snapshots"]:
        seen = sight(track, station, [from_text(shot["utc"])])
        assert seen.elevation_deg[0] == pytest.approx(shot["elevation_deg"], abs=0.003)
        assert seen.range_km[0] == pytest.approx(shot["range_km"], abs=0.05)
        # SDP4's velocity and the slope of its position part by 1 to 2 m/s.
        near = 2e-3 if track.is_deep_space else 1e-4
        assert seen.range_rate_km_s[0] == pytest.approx(shot["range_rate_km_s"], abs=near)
        if abs(station.latitude_deg) < 89.9 and abs(shot["elevation_deg"]) < 89:
            turn = (seen.azimuth_deg[0] - shot["azimuth_deg"] + 180) % 360 - 180
            assert abs(turn) * np.cos(np.radians(shot["elevation_deg"])) < 0.003


def test_the_rates_are_the_slopes_of_the_angles() -> None:
    track, station = scene(case_named("S03"))
    at = from_text("2024-03-09T00:00:00Z") + np.arange(0, 86400, 97.0)
    step = 0.05
    before, seen, after = (sight(track, station, at + shift) for shift in (-step, 0.0, step))
    turn = (after.azimuth_deg - before.azimuth_deg + 180) % 360 - 180
    assert seen.azimuth_rate_deg_s == pytest.approx(turn / (2 * step), abs=2e-5)
    rise = (after.elevation_deg - before.elevation_deg) / (2 * step)
    assert seen.elevation_rate_deg_s == pytest.approx(rise, abs=2e-5)
    away = (after.range_km - before.range_km) / (2 * step)
    assert seen.range_rate_km_s == pytest.approx(away, abs=2e-5)


def test_skyfield_sees_the_same_over_a_day() -> None:
    # Source: skyfield's own topocentric position of the same element set.
    case = case_named("S03")
    track, station = scene(case)
    scale = load.timescale(builtin=True)
    satellite = EarthSatellite(case["tle_line1"], case["tle_line2"], ts=scale)
    place = wgs84.latlon(station.latitude_deg, station.longitude_deg, station.altitude_m)
    minutes = np.arange(0, 1440, 7.0)
    times = scale.utc(2024, 3, 9, 0, minutes)
    altitude, azimuth, distance = (satellite - place).at(times).altaz()
    seen = sight(track, station, from_text("2024-03-09T00:00:00Z") + 60 * minutes)
    assert np.abs(seen.elevation_deg - altitude.degrees).max() < 1e-5
    assert np.abs((seen.azimuth_deg - azimuth.degrees + 180) % 360 - 180).max() < 1e-4
    assert np.abs(seen.range_km - distance.km).max() < 1e-3


def test_refraction_lifts_only_where_to_point() -> None:
    track, station = scene(case_named("S03"))
    wet = Station("w", station.latitude_deg, station.longitude_deg, refraction=True)
    at = from_text("2024-03-09T00:00:00Z") + np.arange(0, 86400, 300.0)
    seen = sight(track, wet, at)
    assert seen.pointing_elevation_deg == pytest.approx(
        seen.elevation_deg + refraction_deg(seen.elevation_deg)
    )
    plain = sight(track, station, at)
    assert np.array_equal(plain.pointing_elevation_deg, plain.elevation_deg)


def test_elevation_nadir_and_central_angle_make_a_right_angle() -> None:
    # Source: Wertz and Larson, Space Mission Analysis and Design, chapter 5: on a sphere elevation,
    # nadir angle and central angle add up to 90 degrees; the ellipsoid shifts the vertical by up
    # to 0.19 degree.
    track, station = scene(case_named("S03"))
    at = from_text("2024-03-09T00:00:00Z") + np.arange(0, 86400, 60.0)
    seen = sight(track, station, at)
    foot = seen.target_fixed_km - seen.toward @ _axes(station) * seen.range_km[:, None]
    central = np.degrees(
        np.arccos(
            np.einsum("ni,ni->n", foot, seen.target_fixed_km)
            / np.linalg.norm(foot, axis=1)
            / np.linalg.norm(seen.target_fixed_km, axis=1)
        )
    )
    total = seen.elevation_deg + nadir_angle_deg(station, seen) + central
    assert np.abs(total - 90).max() < 0.2


def _axes(station: Station) -> np.ndarray:
    from contactd.core.ground.look import east_north_up

    return east_north_up(station.latitude_deg, station.longitude_deg)


def test_the_angle_to_the_sun_is_that_between_the_two_directions() -> None:
    # Source: spherical law of cosines between two azimuths and elevations.
    track, station = scene(case_named("S03"))
    at = from_text("2024-03-09T00:00:00Z") + np.arange(0, 86400, 600.0)
    seen = sight(track, station, at)
    azimuth, elevation = sun_azimuth_elevation_deg(station, at)
    e1, e2 = np.radians(seen.elevation_deg), np.radians(elevation)
    cosine = np.sin(e1) * np.sin(e2) + np.cos(e1) * np.cos(e2) * np.cos(
        np.radians(seen.azimuth_deg - azimuth)
    )
    expected = np.degrees(np.arccos(cosine))
    assert sun_separation_deg(station, seen, at) == pytest.approx(expected, abs=1e-5)


def test_while_the_sun_is_in_the_beam_the_target_is_near_it_and_else_it_is_not() -> None:
    track, station = scene(case_named("S03"))
    start = from_text("2024-03-09T00:00:00Z")
    limit = 25.0
    found = sun_exclusion_intervals(
        track, station, limit, IntervalSet([start], [start + 3 * 86400.0])
    )
    assert found
    at = start + np.arange(0, 3 * 86400, 5.0)
    near = sun_separation_deg(station, sight(track, station, at), at) < limit
    up = sun_azimuth_elevation_deg(station, at)[1] > -0.27
    edges = np.concatenate([found.starts, found.ends])
    clear = np.abs(at[:, None] - edges[None, :]).min(axis=1) > 0.05
    assert np.array_equal(found.holds(at)[clear], (near & up)[clear])


def test_without_a_limit_the_sun_is_never_in_the_beam() -> None:
    track, station = scene(case_named("S03"))
    assert sun_exclusion_intervals(track, station, 0.0, IntervalSet([0.0], [1e9])) == EMPTY
