"""Radio links."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from contactd.core.ground.atmosphere import Atmosphere, MissingExtraError, attenuation_db
from contactd.core.ground.links import (
    BOLTZMANN_DBW_K_HZ,
    AntennaPattern,
    Attitude,
    Direction,
    Link,
    free_space_loss_db,
    link_budget,
    usable_intervals,
)
from contactd.core.ground.sight import nadir_angle_deg, sight
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit import parse_tle
from contactd.core.orbit.sgp4_track import Sgp4Track

DATA = Path(__file__).parents[2] / "reference" / "data"
CASE = next(
    case for case in json.loads((DATA / "pass_cases.json").read_text())["cases"]
    if case["id"] == "S03"
)  # fmt: skip
TRACK = Sgp4Track(parse_tle(f"{CASE['tle_line1']}\n{CASE['tle_line2']}")[0])
STATION = Station("s", CASE["station"]["lat_deg"], CASE["station"]["lon_deg"])
START = from_text(CASE["window_start_utc"])
DOWN = Link(
    "telemetry",
    Direction.DOWN,
    437e6,
    power_dbw=0.0,
    line_loss_db=1.0,
    station_gain_dbi=14.0,
    noise_temperature_k=500.0,
    bit_rate_bps=9600.0,
    required_eb_n0_db=10.0,
    other_losses_db=3.0,
)


def contact() -> tuple[float, float]:
    """The highest contact of the reference case."""
    best = max(CASE["expected"]["passes"], key=lambda each: each["max_elevation_deg"])
    return from_text(best["rise_utc"]), from_text(best["set_utc"])


@pytest.mark.parametrize(
    ("frequency_hz", "range_km", "exact_db", "printed_db"),
    [
        (437e6, 600, 140.8204, 140.7727),
        (145.9e6, 2500, 143.6877, 143.6399),
        (2200e6, 1000, 159.2962, 159.2485),
        (8200e6, 2000, 176.7447, 176.6969),
        (12e9, 38000, 205.6271, 205.5793),
    ],
)
def test_free_space_loss_is_that_of_itu_r_p_525(
    frequency_hz: float, range_km: float, exact_db: float, printed_db: float
) -> None:
    # Source: ITU-R P.525, Lbf = 32.4 + 20 log f (MHz) + 20 log d (km) (from memory, confirmed by
    # computing); the exact constant is 32.4478.
    found = free_space_loss_db(range_km, frequency_hz)
    assert found == pytest.approx(exact_db, abs=5e-5)
    assert found - printed_db == pytest.approx(0.0478, abs=1e-4)


def test_boltzmanns_constant_is_the_exact_one() -> None:
    # Source: SI (2019): k = 1.380649e-23 J/K.
    assert pytest.approx(10 * np.log10(1.380649e-23), abs=1e-8) == BOLTZMANN_DBW_K_HZ


def test_a_budget_is_the_sum_that_a_hand_calculation_gives() -> None:
    # Source: the link equation (Maral and Bousquet, chapter 5), by hand for one moment.
    at = sum(contact()) / 2
    seen = sight(TRACK, STATION, [at])
    link = replace(DOWN, pattern=AntennaPattern(((0.0, 2.0),)))
    budget = link_budget(link, STATION, seen)
    loss = 20 * np.log10(4 * np.pi * seen.range_km[0] * 1e3 * 437e6 / 299792458.0)
    c_n0 = (0.0 - 1.0 + 2.0) - loss - 3.0 + 14.0 - 10 * np.log10(500.0) + 228.59916717
    assert budget.eb_n0_db[0] == pytest.approx(c_n0 - 10 * np.log10(9600.0), abs=1e-9)
    assert budget.margin_db[0] == pytest.approx(budget.eb_n0_db[0] - 10.0, abs=1e-12)
    assert budget.atmosphere_db[0] == 0.0


def test_a_pattern_joins_its_points_by_straight_lines() -> None:
    pattern = AntennaPattern(((0.0, 6.0), (60.0, 0.0), (120.0, -10.0)))
    assert list(pattern.gain_dbi([0, 30, 60, 90, 150])) == [6, 3, 0, -5, -10]
    assert pattern.worst_dbi == -10.0


@pytest.mark.parametrize("points", [(), ((60.0, 0.0), (30.0, 1.0)), ((0.0, 1.0), (0.0, 2.0)),
                                    ((-1.0, 0.0),), ((0.0, 1.0), (181.0, 0.0))])  # fmt: skip
def test_a_pattern_whose_angles_do_not_ascend_is_refused(
    points: tuple[tuple[float, float], ...],
) -> None:
    with pytest.raises(ValueError, match="ascend"):
        AntennaPattern(points)


def test_the_gain_follows_the_aspect_of_an_antenna_that_looks_down() -> None:
    pattern = AntennaPattern(((0.0, 6.0), (90.0, -12.0)))
    start, end = contact()
    seen = sight(TRACK, STATION, np.linspace(start, end, 50))
    budget = link_budget(replace(DOWN, pattern=pattern), STATION, seen)
    assert budget.aspect_deg == pytest.approx(nadir_angle_deg(STATION, seen))
    assert budget.satellite_gain_dbi == pytest.approx(6.0 - 0.2 * budget.aspect_deg)
    # Source: geometry: at the horizon the nadir angle of a low orbit is near 65 degrees.
    assert budget.aspect_deg[0] == pytest.approx(62.8, abs=3.0)


def test_a_tumbling_satellite_may_show_its_worst_side() -> None:
    pattern = AntennaPattern(((0.0, 6.0), (90.0, -12.0), (180.0, -3.0)))
    seen = sight(TRACK, STATION, [sum(contact()) / 2])
    gains = {
        attitude: link_budget(
            replace(DOWN, pattern=pattern, attitude=attitude), STATION, seen
        ).satellite_gain_dbi[0]
        for attitude in Attitude
    }
    assert gains[Attitude.STATION] == 6.0
    assert gains[Attitude.TUMBLING] == -12.0
    assert -12.0 < gains[Attitude.NADIR] < 6.0


def test_the_usable_part_of_a_contact_is_where_the_margin_suffices() -> None:
    start, end = contact()
    at = np.linspace(start, end, 4001)
    margins = link_budget(DOWN, STATION, sight(TRACK, STATION, at)).margin_db
    required = float(np.median(margins))
    link = replace(DOWN, required_margin_db=required)
    found = usable_intervals(TRACK, STATION, link, IntervalSet([start], [end]))
    assert len(found) == 1
    edges = np.concatenate([found.starts, found.ends])
    clear = np.abs(at[:, None] - edges[None, :]).min(axis=1) > 0.01
    assert np.array_equal(found.holds(at)[clear], (margins >= required)[clear])
    at_edges = link_budget(link, STATION, sight(TRACK, STATION, edges)).margin_db
    assert at_edges == pytest.approx(required, abs=1e-4)


def test_a_link_that_is_too_weak_is_never_usable_and_a_strong_one_while_it_is_up() -> None:
    start, end = contact()
    weak = replace(DOWN, power_dbw=-60.0)
    assert usable_intervals(TRACK, STATION, weak, IntervalSet([start - 600], [end + 600])) == EMPTY
    strong = replace(DOWN, power_dbw=60.0)
    found = usable_intervals(TRACK, STATION, strong, IntervalSet([start - 600], [end + 600]))
    assert len(found) == 1
    assert found.starts[0] == pytest.approx(start, abs=600.0)
    assert sight(TRACK, STATION, found.starts).elevation_deg[0] == pytest.approx(0.0, abs=1e-4)


def test_more_power_or_less_rate_never_make_the_usable_part_shorter() -> None:
    spans = IntervalSet.of([contact()])
    lengths = [
        usable_intervals(TRACK, STATION, replace(DOWN, power_dbw=p), spans).total_s
        for p in np.linspace(-25, 5, 13)
    ]
    assert sorted(lengths) == lengths
    assert lengths[0] < lengths[-1]


@pytest.mark.parametrize("name", ["frequency_hz", "noise_temperature_k", "bit_rate_bps"])
def test_numbers_that_cannot_be_are_refused(name: str) -> None:
    with pytest.raises(ValueError, match=name):
        replace(DOWN, **{name: 0.0})


def test_below_a_gigahertz_the_air_takes_nothing_and_above_55_it_is_not_known() -> None:
    elevation = np.array([10.0, 90.0])
    assert list(attenuation_db(Atmosphere(), STATION, 437e6, elevation)) == [0.0, 0.0]
    assert list(attenuation_db(None, STATION, 8.2e9, elevation)) == [0.0, 0.0]
    with pytest.raises(ValueError, match="55 GHz"):
        attenuation_db(Atmosphere(), STATION, 60e9, elevation)
    with pytest.raises(ValueError, match="exceeded_percent"):
        Atmosphere(exceeded_percent=90.0)


def test_without_the_optional_package_the_error_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "itur", None)
    nowhere = Station("elsewhere", 12.3456, 65.4321)
    with pytest.raises(MissingExtraError, match=r"contactd\[link\]"):
        attenuation_db(Atmosphere(), nowhere, 8.2e9, np.array([10.0]))
