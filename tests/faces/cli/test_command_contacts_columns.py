"""``contactd contacts`` with columns on request, and pointing tables."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from command_line import Watch, lay_watch

from contactd.core.instants import from_text
from contactd.faces.cli.contact_columns import EXTRAS

LANTERN = ("--target", "Lantern 3")


@pytest.fixture(scope="module")
def watch(tmp_path_factory: pytest.TempPathFactory) -> Watch:
    return lay_watch(tmp_path_factory.mktemp("watch"))


def contacts(watch: Watch, *arguments: str) -> list[dict[str, Any]]:
    answer = watch("contacts", *LANTERN, *arguments, "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    found: list[dict[str, Any]] = answer.json
    return found


def test_columns_stand_behind_the_contract_in_the_order_asked_for(watch: Watch) -> None:
    plain = contacts(watch, "--limit", "5")
    asked = contacts(watch, "--limit", "5", "--columns", "sunlit, aos_range_km")
    assert [list(each)[-2:] for each in asked] == [["sunlit", "aos_range_km"]] * 5
    assert [dict(list(each.items())[:-2]) for each in asked] == plain
    rows = watch("contacts", *LANTERN, "--limit", "1", "--columns", "all", "--format", "csv").csv
    assert list(rows[0])[-len(EXTRAS) :] == list(EXTRAS)


def test_a_command_window_keeps_to_the_stations_terms(watch: Watch) -> None:
    """Within AOS and LOS, from acquisition (20 s) on, and above 10 degrees."""
    found = contacts(watch, "--columns", "command_from,command_until")
    high = [each for each in found if each["command_from"] is not None]
    low = [each for each in found if each["command_from"] is None]
    assert high
    assert low
    assert all(each["max_elevation_deg"] < 10.001 for each in low)
    for each in high:
        assert each["max_elevation_deg"] > 10
        opens, closes = from_text(each["command_from"]), from_text(each["command_until"])
        assert from_text(each["aos"]) + 20 <= opens + 2e-3
        assert opens < closes <= from_text(each["los"]) + 2e-3


def test_light_time_is_range_over_the_speed_of_light(watch: Watch) -> None:
    # The speed of light is 299 792.458 km/s exactly (SI).
    for each in contacts(watch, "--limit", "3", "--columns", "tca_light_time_s"):
        assert each["tca_light_time_s"] == pytest.approx(
            each["tca_range_km"] / 299_792.458, abs=1e-6
        )


def test_the_range_shrinks_after_aos_and_grows_before_los(watch: Watch) -> None:
    names = "aos_range_rate_km_s,los_range_rate_km_s,aos_range_km,los_range_km"
    for each in contacts(watch, "--limit", "10", "--columns", names):
        assert each["aos_range_rate_km_s"] < 0 < each["los_range_rate_km_s"]
        assert min(each["aos_range_km"], each["los_range_km"]) > each["tca_range_km"]


def test_the_timing_error_grows_with_the_elements_age(watch: Watch) -> None:
    # By hand, from the target's file: 0.2 s and 1.5 s a day from the epoch, 25 November 00:00.
    for each in contacts(watch, "--limit", "3", "--columns", "timing_error_s"):
        days = (from_text(each["aos"]) - from_text("2026-11-25T00:00:00Z")) / 86_400
        assert each["timing_error_s"] == pytest.approx(0.2 + 1.5 * days, abs=1e-3)


def test_requested_columns_are_never_left_out_of_the_table(watch: Watch) -> None:
    out = watch("contacts", *LANTERN, "--columns", "command_from,command_until").out
    assert "Command from" in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_column_that_is_none_is_told_with_all_that_there_are(watch: Watch) -> None:
    answer = watch("contacts", "--columns", "sunlite")
    assert (answer.code, answer.out) == (2, "")
    assert "Did you mean 'sunlit'?" in answer.err
    everything = watch("contacts", "--columns", "xyz").err
    assert all(name in everything for name in EXTRAS)


def test_next_keeps_the_first_contacts_only(watch: Watch) -> None:
    assert contacts(watch, "--limit", "2") == contacts(watch)[:2]
    assert watch("contacts", "--limit", "0").code == 2


def pointing(watch: Watch, *arguments: str) -> list[dict[str, Any]]:
    answer = watch("contacts", *LANTERN, "--pointing", *arguments, "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    tables: list[dict[str, Any]] = answer.json
    return tables


def test_pointing_runs_from_aos_to_los_at_the_asked_distance(watch: Watch) -> None:
    contact = contacts(watch, "--limit", "1")[0]
    [table] = pointing(watch, "--every", "30s")
    assert (table["target"], table["station"]) == (contact["target"], contact["station"])
    times = [from_text(row["at"]) for row in table["rows"]]
    assert times[0] == pytest.approx(from_text(contact["aos"]), abs=2e-3)
    assert times[-1] == pytest.approx(from_text(contact["los"]), abs=2e-3)
    gaps = [later - earlier for earlier, later in pairwise(times)]
    assert gaps[:-1] == pytest.approx([30.0] * (len(gaps) - 1), abs=2e-3)
    first, last = table["rows"][0], table["rows"][-1]
    assert first["azimuth_deg"] == pytest.approx(contact["aos_azimuth_deg"], abs=2e-3)
    assert last["azimuth_deg"] == pytest.approx(contact["los_azimuth_deg"], abs=2e-3)
    assert first["elevation_deg"] == pytest.approx(5, abs=1e-3)


def test_elevation_and_range_rates_are_the_slopes_of_what_they_belong_to(watch: Watch) -> None:
    [table] = pointing(watch, "--every", "1s")
    rows = table["rows"][:-1]
    for before, row, after in list(zip(rows, rows[1:], rows[2:], strict=False))[::20]:
        for value, rate, tolerance in (
            ("elevation_deg", "elevation_rate_deg_s", 2e-4),
            ("range_km", "range_rate_km_s", 2e-3),
        ):
            slope = (after[value] - before[value]) / 2
            assert row[rate] == pytest.approx(slope, abs=tolerance)


def test_doppler_is_near_the_handbooks_first_order(watch: Watch) -> None:
    # First order: -f v/c (ITU-R SA.1014, from memory); the next order is f (v/c)^2 < 0.3 Hz here.
    [table] = pointing(watch, "--every", "1min", "--frequency", "437.5")
    for row in table["rows"]:
        first_order = -437.5e6 * row["range_rate_km_s"] / 299_792.458
        assert row["received_shift_hz_at_437.5_mhz"] == pytest.approx(first_order, abs=0.5)
        assert row["uplink_correction_hz_at_437.5_mhz"] == pytest.approx(-first_order, abs=0.5)


def test_pointing_as_table_and_csv(watch: Watch) -> None:
    out = watch("contacts", *LANTERN, "--pointing", "--frequency", "437.5", "--every", "1min").out
    assert max(map(len, out.splitlines())) <= 80
    assert "Hz at 437.5" in out
    assert "Down: add to the nominal MHz to receive." in out
    rows = watch("contacts", *LANTERN, "--pointing", "--limit", "2", "--format", "csv").csv
    assert {row["target"] for row in rows} == {"Lantern 3"}
    assert list(rows[0])[:5] == ["target", "station", "at", "azimuth_deg", "elevation_deg"]
    assert len({row["station"] + row["at"][:13] for row in rows}) >= 2


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--every", "0s"], "--every is zero"),
        (["--every", "1ms", "--limit", "50"], "more than 200000"),
        (["--frequency", "-3"], "--frequency"),
    ],
)
def test_pointing_refuses_what_makes_no_table(
    watch: Watch, arguments: list[str], message: str
) -> None:
    answer = watch("contacts", *LANTERN, "--pointing", *arguments)
    assert answer.code == 2
    assert message in answer.err


def test_a_target_that_is_always_up_can_be_pointed_at(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    answer = watch(
        "contacts", "--target", "Heron 1", "--station", "Nordhavn", "--to", "+1h", "--pointing",
        "--every", "10min", "--format", "json",
    )  # fmt: skip
    assert answer.code == 0
    assert len(answer.json[0]["rows"]) == 7
