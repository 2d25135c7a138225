"""Polar motion, against SOFA's matrices (pyerfa) and rows of the IERS table."""

import erfa
import numpy as np
import pytest

from contactd.config import load
from contactd.core.contacts.prediction import predict
from contactd.core.ground.look import geodetic_to_fixed, look
from contactd.core.ground.pole import pole_at, turned_with_pole
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.frames import teme_to_fixed
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.ut1_tables import read_pole

POLE = (0.21, 0.43)
EPOCH = from_text("2026-12-01T00:00:00Z")
ELEMENTS = ElementSet(
    "LANTERN 3", 90103, "2026-001A", EPOCH, 15.1, 0.0011, 97.6, 4.8, 63.7, 70.1, 2.4e-5
)
# Source: IERS, finals2000A.all (columns 1 to 78), rows of two days; values as its readme places
# them: x 0.214800 and y 0.430010, then 0.212600 and 0.430500.
ROWS = (
    "261130 61374.00 P  0.214800 0.000900  0.430010 0.000900  P-0.0384163 0.0001000\n"
    "2612 1 61375.00 P  0.212600 0.000900  0.430500 0.000900  P-0.0385163 0.0001000\n"
)


@pytest.mark.parametrize("latitude", [-90.0, -34.0, 0.0, 51.0, 78.0])
def test_aos_and_los_are_those_of_the_full_rotation_within_a_tenth_of_a_millisecond(latitude):
    # Source: SOFA pom00 (pyerfa), as astropy turns TEME into ITRS: the satellite is turned there,
    # the station here.
    station = Station("Greywater", latitude, -3.0, 60.0, least_elevation_deg=5.0)
    radians = np.radians(np.array(POLE) / 3600.0)
    wobble = erfa.pom00(*radians, 0.0)
    moved = turned_with_pole(station, POLE)
    table = predict([Sgp4Track(ELEMENTS)], [moved], EPOCH, EPOCH + 86_400.0)
    at = np.concatenate([table.aos, table.los])
    assert len(at) >= 4

    position, velocity = teme_to_fixed(at, *Sgp4Track(ELEMENTS).states(at))
    full = look(station, position @ wobble.T, velocity @ wobble.T)
    late_s = (full.elevation_deg - 5.0) / full.elevation_rate_deg_s
    mine = look(moved, position, velocity)
    own_s = (mine.elevation_deg - 5.0) / mine.elevation_rate_deg_s
    assert np.abs(late_s - own_s).max() < 1e-4
    without = look(station, position, velocity)
    assert np.abs((without.elevation_deg - 5.0) / without.elevation_rate_deg_s).max() > 2e-4


def test_a_station_moves_by_metres_and_not_up_or_down():
    station = Station("Greywater", 51.0, -3.0, 60.0)
    moved = turned_with_pole(station, POLE)
    before, after = (
        geodetic_to_fixed(each.latitude_deg, each.longitude_deg, each.altitude_m)
        for each in (station, moved)
    )
    assert 0.005 < np.linalg.norm(after - before) < 0.016
    assert abs(np.linalg.norm(after) - np.linalg.norm(before)) < 1e-4


def test_the_tables_rows_are_read_and_joined_by_lines():
    table = read_pole(ROWS)
    assert pole_at(from_text("2026-11-30T12:00:00Z"), table) == pytest.approx((0.2137, 0.430255))
    assert pole_at(from_text("2026-12-02T00:00:01Z"), table) is None
    assert read_pole("") is None


def test_a_setting_without_a_table_is_noted_and_changes_nothing(tmp_path):
    (tmp_path / "stations").mkdir()
    (tmp_path / "stations" / "greywater.yaml").write_text(
        "name: Greywater\nlatitude_deg: 51\nlongitude_deg: -3\n"
    )
    (tmp_path / "contactd.yaml").write_text("planning: {polar_motion: true}\n")
    found = load(tmp_path, around=from_text("2099-01-01T00:00:00Z"))
    assert [each.key for each in found.notices if "pole" in each.text] == ["planning.polar_motion"]
    assert found.stations["Greywater"].latitude_deg == 51.0
