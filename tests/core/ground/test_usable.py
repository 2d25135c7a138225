"""The usable part of contacts."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from contactd.core.contacts.coverage import seen_from, services
from contactd.core.contacts.offset_track import OffsetTrack
from contactd.core.contacts.prediction import predict
from contactd.core.ground.antenna import keyhole_intervals
from contactd.core.ground.links import Direction, Link, usable_intervals
from contactd.core.ground.station import AntennaLimits, ServiceTerms, Station
from contactd.core.ground.sunblind import sun_exclusion_intervals
from contactd.core.ground.usable import trackable_part, within_link
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit import parse_tle
from contactd.core.orbit.orbit_error import OrbitError
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
    assert not PLAIN.is_limited
    assert trackable_part(TRACK, PLAIN, CONTACTS) == CONTACTS


def test_mount_sun_and_link_each_take_their_part() -> None:
    station = replace(
        PLAIN,
        antenna=AntennaLimits(highest_elevation_deg=40.0, azimuth_rate_deg_s=1.0),
        sun_exclusion_deg=30.0,
    )
    assert station.is_limited
    found = within_link(TRACK, station, trackable_part(TRACK, station, CONTACTS), LINK)
    expected = [
        contact
        - keyhole_intervals(TRACK, station, station.antenna, contact)
        - sun_exclusion_intervals(TRACK, station, 30.0, contact)
        & usable_intervals(TRACK, station, LINK, contact)
        for contact in (IntervalSet([start], [end]) for start, end in CONTACTS)
    ]
    for (start, end), part in zip(CONTACTS, expected, strict=True):
        assert found.clip(start, end) == part
    assert 0 < found.total_s < CONTACTS.total_s


def test_a_services_coverage_leaves_out_what_cannot_be_used() -> None:
    station = replace(
        PLAIN,
        services={"telemetry": ServiceTerms(link="telemetry"), "ranging": ServiceTerms()},
        antenna=AntennaLimits(highest_elevation_deg=40.0),
    )
    start, end = CONTACTS.starts[0] - 600.0, CONTACTS.ends[-1] + 600.0
    table = predict([TRACK], [station], start, end)
    error = OrbitError(at_epoch_s=2.0)
    epoch = TRACK.elements.epoch
    seen = seen_from(TRACK, [station], table, error, epoch)
    found = services(TRACK, [station], seen, error, epoch, start, end, {"telemetry": LINK})
    contacts = IntervalSet.of((each.aos, each.los) for each in table)
    by_link = found["telemetry"][station.name]
    by_mount = found["ranging"][station.name]
    assert by_mount.nominal == trackable_part(TRACK, station, contacts)
    assert by_link.nominal == within_link(
        TRACK, station, trackable_part(TRACK, station, contacts), LINK
    )
    assert by_link.nominal.total_s < by_mount.nominal.total_s < contacts.total_s
    for ahead in (-2.0, -1.1, 0.4, 2.0):
        early = OffsetTrack(TRACK, ahead)
        seen_then = predict([early], [station], start - 60.0, end + 60.0).intervals()
        followed = trackable_part(early, station, seen_then)
        for coverage, usable in (
            (by_mount, followed),
            (by_link, within_link(early, station, followed, LINK)),
        ):
            assert not coverage.certain - usable
            assert not usable.shrink(1e-3, 1e-3) - coverage.possible
