"""The Sun's place and the dark of the night."""

from __future__ import annotations

import json
from pathlib import Path

import erfa
import numpy as np
import pytest

from contactd.core.ground.station import Station
from contactd.core.instants import TT_MINUS_TAI_S, from_text, tt_julian
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.sun import (
    ASTRONOMICAL_UNIT_KM,
    dark_intervals,
    sun_azimuth_elevation_deg,
    sun_elevation_deg,
    sun_position_km,
)

DATA = Path(__file__).parents[2] / "reference" / "data"
CASES = json.loads((DATA / "pass_cases.json").read_text())["cases"]


def place_deg(position: np.ndarray) -> tuple[float, float]:
    """Right ascension and declination."""
    return (
        float(np.degrees(np.arctan2(position[1], position[0])) % 360),
        float(np.degrees(np.arcsin(position[2] / np.linalg.norm(position)))),
    )


def test_meeus_example_25_a_is_reproduced() -> None:
    # Source: Meeus, Astronomical Algorithms, 2nd ed., example 25.a: 1992-10-13 0h TD.
    # The printed apparent longitude 199.90895 is 199.908942 when nothing is rounded on the way.
    tt_label = from_text("1992-10-13T00:00:00Z") - 27.0 - TT_MINUS_TAI_S
    position = sun_position_km(tt_label)
    whole, fraction = tt_julian(np.array([tt_label]))
    assert whole[0] + fraction[0] == pytest.approx(2448908.5, abs=1e-9)
    ascension, declination = place_deg(position)
    assert ascension == pytest.approx(198.38083, abs=2e-5)
    assert declination == pytest.approx(-7.78507, abs=2e-5)
    assert np.linalg.norm(position) / ASTRONOMICAL_UNIT_KM == pytest.approx(0.99766, abs=5e-6)


def test_vallados_example_5_1_is_met_within_the_formulas_error() -> None:
    # Source: Vallado, Fundamentals of Astrodynamics and Applications, example 5-1 (2006-04-02 0h
    # UTC, mean equator and equinox of date), checked with a full theory; aberration (20.5") and
    # nutation stand between his frame and ours.
    position = sun_position_km(from_text("2006-04-02T00:00:00Z")) / ASTRONOMICAL_UNIT_KM
    assert position == pytest.approx([0.977211, 0.192440, 0.083432], abs=2.5e-4)


def test_over_a_century_the_sun_stays_within_a_hundredth_of_a_degree_of_erfa() -> None:
    # Source: IAU SOFA routines epv00, bi/precession/nutation of 2006/2000A (pyerfa).
    instants = from_text("1975-01-01T00:00:00Z") + np.arange(0, 36525, 7.3) * 86400.0
    whole, fraction = tt_julian(instants)
    earth = erfa.epv00(whole, fraction)[0]["p"]
    # Light leaves the Sun 8.3 minutes before: its apparent place is where the Earth saw it.
    distance = np.linalg.norm(earth, axis=-1)
    velocity = erfa.epv00(whole, fraction)[1]["v"] * 1.0
    barycentric = np.linalg.norm(velocity, axis=-1)
    unit = erfa.ab(
        -earth / distance[:, None],
        velocity * ASTRONOMICAL_UNIT_KM / 86400 / 299792.458,
        distance,
        np.sqrt(1 - (barycentric * ASTRONOMICAL_UNIT_KM / 86400 / 299792.458) ** 2),
    )
    truth = np.einsum("nij,nj->ni", erfa.pnm06a(whole, fraction), unit)
    ours = sun_position_km(instants)
    ours_unit = ours / np.linalg.norm(ours, axis=-1, keepdims=True)
    apart = np.degrees(np.linalg.norm(np.cross(ours_unit, truth), axis=-1))
    assert apart.max() < 0.012
    assert np.abs(np.linalg.norm(ours, axis=-1) / ASTRONOMICAL_UNIT_KM - distance).max() < 1e-4


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_the_suns_height_over_the_stations_is_astropys(case: dict) -> None:
    # Source: reference pass cases; Sun from astropy's get_sun through AltAz without refraction.
    # AltAz includes the diurnal parallax of 0.0024 degree, as does a station on the ground here.
    place = case["station"]
    station = Station("s", place["lat_deg"], place["lon_deg"], place["alt_m"])
    for snapshot in case["expected"]["snapshots"]:
        azimuth, elevation = sun_azimuth_elevation_deg(station, from_text(snapshot["utc"]))
        assert elevation[0] == pytest.approx(snapshot["sun_elevation_deg"], abs=0.012)
        if abs(place["lat_deg"]) < 89.9:
            turn = (azimuth[0] - snapshot["sun_azimuth_deg"] + 180) % 360 - 180
            assert abs(turn) * np.cos(np.radians(elevation[0])) < 0.015


def test_at_an_equinox_the_suns_centre_is_down_for_half_a_day() -> None:
    # Source: definition of the equinox; geometric centre, so that night is half a solar day.
    station = Station("equator", 0.0, 0.0)
    start = from_text("2026-03-20T12:00:00Z")
    dark = dark_intervals(station, IntervalSet([start], [start + 86400.0]), sun_elevation_deg=0.0)
    assert len(dark) == 1
    assert dark.total_s == pytest.approx(43_200.0, abs=15.0)


def test_civil_twilight_lasts_as_long_as_an_almanac_says() -> None:
    # Source: the Sun of the equator sinks 15 degrees an hour at an equinox: 6 degrees in 24 min.
    station = Station("equator", 0.0, 0.0)
    start = from_text("2026-03-20T12:00:00Z")
    civil = dark_intervals(station, IntervalSet([start], [start + 86400.0]))
    whole = dark_intervals(station, IntervalSet([start], [start + 86400.0]), sun_elevation_deg=0.0)
    assert civil.starts[0] - whole.starts[0] == pytest.approx(24 * 60, abs=10.0)
    assert sun_elevation_deg(station, civil.starts)[0] == pytest.approx(-6.0, abs=1e-5)


def test_at_a_pole_the_sun_sets_for_half_a_year() -> None:
    north, south = Station("n", 90.0, 0.0), Station("s", -90.0, 0.0)
    start, end = from_text("2026-01-01T00:00:00Z"), from_text("2027-01-01T00:00:00Z")
    in_north = dark_intervals(north, IntervalSet([start], [end]), sun_elevation_deg=0.0)
    in_south = dark_intervals(south, IntervalSet([start], [end]), sun_elevation_deg=0.0)
    assert len(in_north) == 2
    assert len(in_south) == 1
    overlap = in_north & in_south
    assert overlap.total_s < 12 * 3600.0  # the parallax lets both poles miss the Sun for a while
    assert in_north.total_s + in_south.total_s == pytest.approx(end - start, abs=12 * 3600)
