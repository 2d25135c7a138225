"""Pointing tables."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from contactd.core.contacts.contact import Contact
from contactd.core.ground.doppler import uplink_correction_hz
from contactd.core.ground.links import Direction, Link
from contactd.core.ground.pointing import pointing_table
from contactd.core.ground.sight import sight
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.orbit import parse_tle
from contactd.core.orbit.oem import parse_oem
from contactd.core.orbit.sgp4_track import Sgp4Track

DATA = Path(__file__).parents[2] / "reference" / "data"
CASE = next(
    case for case in json.loads((DATA / "pass_cases.json").read_text())["cases"]
    if case["id"] == "S03"
)  # fmt: skip
TRACK = Sgp4Track(parse_tle(f"{CASE['tle_line1']}\n{CASE['tle_line2']}")[0], "Lantern 3")
PLACE = CASE["station"]
STATION = Station("Oak Hill", PLACE["lat_deg"], PLACE["lon_deg"], PLACE["alt_m"])
PASS = CASE["expected"]["passes"][0]
AOS, LOS = from_text(PASS["rise_utc"]), from_text(PASS["set_utc"])
DOWN = Link("telemetry", Direction.DOWN, 2.2e9, turnaround=240 / 221)
UP = Link("command", Direction.UP, 2.1e9)


def test_rows_stand_at_aos_at_every_step_and_at_los() -> None:
    table = pointing_table(TRACK, STATION, (AOS, LOS), 10.0)
    assert len(table) == int((LOS - AOS) / 10) + 2
    assert table.instants[0] == AOS
    assert table.instants[-1] == LOS
    assert np.allclose(np.diff(table.instants)[:-1], 10.0)
    assert (table.target, table.station) == ("Lantern 3", "Oak Hill")


@pytest.mark.parametrize("step_s", [0.05, 0.5, 1.0, 7.0, 10_000.0])
def test_any_rate_gives_the_same_values_at_the_same_moments(step_s: float) -> None:
    table = pointing_table(TRACK, STATION, (AOS, AOS + 60.0), step_s)
    seen = sight(TRACK, STATION, table.instants)
    assert np.array_equal(table.azimuth_deg, seen.azimuth_deg)
    assert np.array_equal(table.range_km, seen.range_km)


def test_the_ends_of_a_reference_contact_are_met() -> None:
    # Source: reference pass cases (skyfield).
    table = pointing_table(TRACK, STATION, (AOS, LOS), 1.0)
    assert table.azimuth_deg[0] == pytest.approx(PASS["rise_azimuth_deg"], abs=0.003)
    assert table.azimuth_deg[-1] == pytest.approx(PASS["set_azimuth_deg"], abs=0.003)
    assert table.range_km[0] == pytest.approx(PASS["rise_range_km"], abs=0.05)
    assert table.range_rate_km_s[-1] == pytest.approx(PASS["set_range_rate_km_s"], abs=1e-4)
    assert table.elevation_deg.max() == pytest.approx(PASS["max_elevation_deg"], abs=0.003)
    assert table.light_time_s == pytest.approx(table.range_km / 299792.458)


def test_a_contact_from_the_prediction_is_taken_as_it_is() -> None:
    contact = Contact("Lantern 3", "Oak Hill", AOS, (AOS + LOS) / 2, LOS, 0, 0, 0, 0, 0)
    assert np.array_equal(
        pointing_table(TRACK, STATION, contact).instants,
        pointing_table(TRACK, STATION, (AOS, LOS)).instants,
    )


def test_each_link_has_its_own_tuning() -> None:
    table = pointing_table(TRACK, STATION, (AOS, LOS), 5.0, [DOWN, UP])
    down, up = table.links["telemetry"], table.links["command"]
    beta = table.range_rate_km_s / 299792.458
    assert down.tune_hz == pytest.approx(2.2e9 / (1 + beta), abs=1e-3)
    assert down.doppler_hz == pytest.approx(down.tune_hz - 2.2e9, abs=1e-6)
    assert up.tune_hz - 2.1e9 == pytest.approx(uplink_correction_hz(2.1e9, table.range_rate_km_s))
    assert up.two_way_hz is None
    assert down.two_way_hz is not None
    assert down.two_way_hz == pytest.approx(2.2e9 * (1 - beta) / (1 + beta) - 2.2e9, abs=1e-3)
    # Rising targets come nearer: received high, to be sent low.
    assert down.doppler_hz[0] > 0 > up.tune_hz[0] - 2.1e9
    assert down.margin_db.shape == table.instants.shape


def test_the_sun_and_the_shadow_are_told_too() -> None:
    table = pointing_table(TRACK, STATION, (AOS, LOS), 30.0)
    assert ((table.sunlit >= 0) & (table.sunlit <= 1)).all()
    assert ((table.sun_separation_deg >= 0) & (table.sun_separation_deg <= 180)).all()


def test_rows_without_a_state_are_left_out() -> None:
    track = parse_oem((DATA / "S03.oem").read_text())
    end = track.validity.ends[0]
    table = pointing_table(track, STATION, (end - 30.0, end + 30.0), 10.0)
    assert table.instants[-1] == pytest.approx(end, abs=1e-6)
    assert not np.isnan(table.azimuth_deg).any()


def test_a_table_without_bounds_is_refused() -> None:
    with pytest.raises(ValueError, match="step_s"):
        pointing_table(TRACK, STATION, (AOS, LOS), 0.0)
    with pytest.raises(ValueError, match="rows"):
        pointing_table(TRACK, STATION, (AOS, LOS), 1e-6)
