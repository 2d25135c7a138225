"""Sky and ground as the interface gives them, against skyfield's own geometry.

Tolerances: the shared reference values (section 8) allow 0.003° between libraries; beside them
stand half a unit of the last digit given, and the millisecond that a time is rounded to.
"""

import math

import numpy as np
import pytest
from orbits import TIMESCALE, skyfield_satellite
from skyfield.api import wgs84

from contactd.config import load

pytestmark = pytest.mark.process


@pytest.fixture(scope="module")
def configuration(service):
    return load(service.room.config)


def skyfield_moments(unix_ms):
    days = np.asarray(unix_ms) / 86_400_000.0
    return TIMESCALE.utc(1970, 1, 1 + np.floor(days), 0, 0, (days % 1.0) * 86_400.0)


def tracked(service, target, hours=0):
    contact = next(
        each
        for each in service.json("/contacts", target=target, limit=200)
        if not each["cut_at_start"] and each["max_elevation_deg"] > 20
    )
    return service.json("/sky", target=target, station=contact["station"], at=contact["tca"])


@pytest.mark.parametrize("target", ["Lantern 3", "Orrery", "Wren 1"])
def test_pointing_is_where_skyfield_sees_the_target(service, configuration, target):
    sky = tracked(service, target)
    samples = sky["samples"]
    station = configuration.stations[sky["contact"]["station"]]
    place = wgs84.latlon(station.latitude_deg, station.longitude_deg, station.altitude_m)
    satellite = skyfield_satellite(configuration.targets[target].elements[0])
    elevation, azimuth, distance = (
        (satellite - place).at(skyfield_moments(samples["unix_ms"])).altaz()
    )
    seen = np.array(samples["elevation_deg"])
    assert np.abs(seen - elevation.degrees).max() < 0.003 + 0.02
    across = np.abs((np.array(samples["azimuth_deg"]) - azimuth.degrees + 180) % 360 - 180)
    assert (across * np.cos(np.radians(seen))).max() < 0.003 + 0.02
    assert np.abs(np.array(samples["range_km"]) - distance.km).max() < 0.05


def test_doppler_has_the_sign_and_size_of_the_range_rate(service):
    """Check value: −7 km/s at 437 MHz gives +10 203.7 Hz (first order −f·rr/c, c exact, SI)."""
    samples = tracked(service, "Lantern 3")["samples"]
    for rate, ppm in zip(samples["range_rate_km_s"], samples["doppler_ppm"], strict=True):
        assert ppm == pytest.approx(-rate * 10_203.7257 / 7 / 437, abs=0.02)
    assert samples["doppler_ppm"][0] > 0 > samples["doppler_ppm"][-1]


def test_whole_minutes_are_among_the_samples_of_a_low_pass(service):
    sky = tracked(service, "Lantern 3")
    times = sky["samples"]["unix_ms"]
    first, last = math.ceil(times[0] / 60_000), math.floor(times[-1] / 60_000)
    assert {minute * 60_000 for minute in range(first, last + 1)} <= set(times)


def test_the_elevation_profile_is_the_one_of_the_sky(service):
    sky = tracked(service, "Lantern 3")
    contact, samples = sky["contact"], sky["samples"]
    document = service.json(
        "/profiles", target="Lantern 3", **{"from": contact["aos"], "to": contact["los"]}
    )
    [profile] = [each for each in document["profiles"] if each["station"] == contact["station"]]
    even = np.linspace(samples["unix_ms"][0], samples["unix_ms"][-1], len(profile["elevations"]))
    expected = np.interp(even, samples["unix_ms"], samples["elevation_deg"])
    assert np.abs(np.array(profile["elevations"]) / 100 - expected).max() < 0.25


def test_the_ground_track_is_below_the_target_as_skyfield_has_it(service, configuration):
    ground = service.json("/ground", target="Lantern 3")
    satellite = skyfield_satellite(configuration.targets["Lantern 3"].elements[0])
    below = wgs84.subpoint(satellite.at(skyfield_moments(ground["unix_ms"])))
    latitude = np.array(ground["latitude_deg"])
    assert np.abs(latitude - below.latitude.degrees).max() < 0.003
    turn = (np.array(ground["longitude_deg"]) - below.longitude.degrees + 180) % 360 - 180
    assert np.abs(turn * np.cos(np.radians(latitude))).max() < 0.003
    assert np.abs(np.array(ground["altitude_km"]) - below.elevation.km).max() < 0.05


def test_night_and_shadow_are_ordered_spans_within_what_was_asked(service):
    light = service.json("/light")
    assert set(light["night"]) == {each["name"] for each in service.json("/stations")}
    for flat in (*light["night"].values(), *light["shadow"].values()):
        assert len(flat) % 2 == 0
        assert flat == sorted(flat)
        assert all(light["from"] <= each <= light["to"] for each in flat)
    # A satellite 600 km up spends something like a third of its time in shadow (SMAD ch. 5, M).
    spans = np.array(light["shadow"]["Lantern 3"]).reshape(-1, 2)
    share = np.diff(spans).sum() / (light["to"] - light["from"])
    assert 0.15 < share < 0.42


def test_the_strand_holds_every_contact_and_command_window(service):
    lines = service.json("/timeline")
    contacts = service.json("/contacts", limit=5000)
    drawn = {
        (target["target"], lane["station"], aos)
        for target in lines["targets"]
        for lane in target["stations"]
        for aos in lane["aos"]
    }
    assert len(drawn) == len(contacts)
    windows = sum(
        len(lane["windows"]) // 2 for target in lines["targets"] for lane in target["stations"]
    )
    assert windows == len(service.json("/windows", limit=5000))


def test_a_strand_of_one_target_is_its_part_of_the_whole(service):
    whole = service.json("/timeline")
    assert whole["left_out"] == []
    (alone,) = service.json("/timeline", target="Thistle")["targets"]
    assert alone == next(each for each in whole["targets"] if each["target"] == "Thistle")
    assert service.get("/timeline", target="Thistly").status_code == 404
