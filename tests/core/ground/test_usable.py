"""The usable part of contacts."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from contactd.core.ground.antenna import followed_intervals
from contactd.core.ground.links import Direction, Link, usable_intervals
from contactd.core.ground.station import AntennaLimits, Station
from contactd.core.ground.sunblind import sun_exclusion_intervals
from contactd.core.ground.usable import limits_nothing, usable_part
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit import parse_tle
from contactd.core.orbit.sgp4_track import Sgp4Track

DATA = Path(__file__).parents[2] / "reference" / "data"
CASE = next(
    case for case in json.loads((DATA / "pass_cases.json").read_text())["cases"]
    if case["id"] == "S03"
)  # fmt: skip
TRACK = Sgp4Track(parse_tle(f"{CASE['tle_line1']}\n{CASE['tle_line2']}")[0])
PLAIN = Station("s", CASE["station"]["lat_deg"], CASE["station"]["lon_deg"])
CONTACTS = IntervalSet.of(
    (from_text(each["rise_utc"]), from_text(each["set_utc"])) for each in CASE["expected"]["passes"]
)
LINK = Link("telemetry", Direction.DOWN, 2.2e9, power_dbw=-3.0, station_gain_dbi=30.0,
            bit_rate_bps=1e5)  # fmt: skip


def test_without_limits_all_of_a_contact_is_usable() -> None:
    assert limits_nothing(PLAIN)
    assert usable_part(TRACK, PLAIN, CONTACTS) == CONTACTS


def test_mount_sun_and_link_each_take_their_part() -> None:
    station = replace(
        PLAIN,
        antenna=AntennaLimits(highest_elevation_deg=40.0, azimuth_rate_deg_s=1.0),
        sun_exclusion_deg=30.0,
    )
    assert not limits_nothing(station)
    assert not limits_nothing(PLAIN, LINK)
    found = usable_part(TRACK, station, CONTACTS, LINK)
    expected = [
        followed_intervals(TRACK, station, station.antenna, start, end)
        - sun_exclusion_intervals(TRACK, station, 30.0, start, end)
        & usable_intervals(TRACK, station, LINK, start, end)
        for start, end in CONTACTS
    ]
    for (start, end), part in zip(CONTACTS, expected, strict=True):
        assert found.clip(start, end) == part
    assert 0 < found.total_s < CONTACTS.total_s
