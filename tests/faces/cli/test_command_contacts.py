"""``contactd contacts``, run as a real process on a real configuration."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from command_line import NOW, Watch, lay_watch, low_orbit, target_text

CASES = json.loads(
    (Path(__file__).parents[2] / "reference/data/pass_cases.json").read_text(encoding="utf-8")
)["cases"]

# The contract: field, and the type of its value in JSON.
FIELDS = {
    "target": str,
    "station": str,
    "aos": str,
    "tca": str,
    "los": str,
    "aos_azimuth_deg": float,
    "tca_azimuth_deg": float,
    "los_azimuth_deg": float,
    "max_elevation_deg": float,
    "tca_range_km": float,
    "duration_s": float,
    "cut_at_start": bool,
    "cut_at_end": bool,
    "outage": type(None),
    "usable": list,
    "degraded": type(None),
    "aos_early": str,
    "aos_late": str,
    "los_early": str,
    "los_late": str,
    "certain_from": str,
    "certain_until": str,
    "existence_probability": float,
    "orbit_error": dict,
}
MILLISECONDS_UTC = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")


@pytest.fixture(scope="module")
def watch(tmp_path_factory: pytest.TempPathFactory) -> Watch:
    return lay_watch(tmp_path_factory.mktemp("watch"))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text)


def test_json_is_a_list_in_the_form_of_the_contract(watch: Watch) -> None:
    answer = watch("contacts", "--to", "+1d", "--format", "json")
    assert (answer.code, answer.err) == (0, "")
    contacts = answer.json
    assert len(contacts) > 20
    for contact in contacts:
        assert list(contact) == list(FIELDS)
        assert all(type(contact[name]) is kind for name, kind in FIELDS.items())
        assert all(MILLISECONDS_UTC.fullmatch(contact[name]) for name in ("aos", "tca", "los"))
        aos, tca, los = (utc(contact[name]) for name in ("aos", "tca", "los"))
        assert aos <= tca <= los
        assert (los - aos).total_seconds() == pytest.approx(contact["duration_s"], abs=0.0015)
        assert 5 <= contact["max_elevation_deg"] <= 90
    assert [each["aos"] for each in contacts] == sorted(each["aos"] for each in contacts)
    assert {each["target"] for each in contacts} == {"Lantern 3", "Heron 1"}


@pytest.mark.parametrize("case", CASES[:6], ids=lambda case: case["id"])
def test_contacts_agree_with_the_reference_passes(tmp_path: Path, case: dict) -> None:
    """Source: tests/reference/data/pass_cases.json, found with skyfield and confirmed with astropy.

    The command must give what the heart gives: each rise and set of each pass, through files,
    options and JSON. Tolerance: the accuracy contract (20 ms for slow crossings) and the
    rounding of both sides to milliseconds.
    """
    watch = Watch(tmp_path)
    station = case["station"]
    watch.write(
        "stations/one.yaml",
        f"name: One\nlatitude_deg: {station['lat_deg']}\nlongitude_deg: {station['lon_deg']}\n"
        f"altitude_m: {station['alt_m']}\nleast_elevation_deg: {case['threshold_deg']}\n",
    )
    lines = f"    {case['tle_line1']}\n    {case['tle_line2']}\n"
    watch.write("targets/one.yaml", "name: Invented\nelements:\n  tle: |\n" + lines)
    start = utc(case["window_start_utc"])
    end = start + timedelta(hours=case["window_hours"])
    answer = watch(
        "contacts", "--from", start.isoformat(), "--to", end.isoformat(), "--format", "json",
        now=case["window_start_utc"],
    )  # fmt: skip
    assert answer.code == 0
    expected = case["expected"]["passes"]
    assert len(answer.json) == len(expected)
    for found, wanted in zip(answer.json, expected, strict=True):
        assert (found["cut_at_start"], found["cut_at_end"]) == (
            wanted["truncated_start"],
            wanted["truncated_end"],
        )
        for ours, theirs in (("aos", "rise_utc"), ("los", "set_utc")):
            assert abs((utc(found[ours]) - utc(wanted[theirs])).total_seconds()) <= 0.022
        assert found["max_elevation_deg"] == pytest.approx(wanted["max_elevation_deg"], abs=0.001)


def test_csv_has_a_heading_and_the_same_contacts(watch: Watch) -> None:
    wanted = watch("contacts", "--to", "+6h", "--format", "json").json
    rows = watch("contacts", "--to", "+6h", "--format", "csv").csv
    assert list(rows[0]) == list(FIELDS)
    for row, contact in zip(rows, wanted, strict=True):
        for name, kind in FIELDS.items():
            text = {True: "true", False: "false"}[contact[name]] if kind is bool else contact[name]
            if kind in (list, dict):
                parts = contact[name] if kind is list else [contact[name]]
                assert [json.loads(each) for each in row[name].split("; ")] == parts
                continue
            assert row[name] == ("" if text is None else str(text))


def test_a_name_that_a_spreadsheet_would_compute_is_made_harmless(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    watch.write("targets/lantern-3.yaml", target_text(low_orbit()).replace("Lantern 3", "=1+1"))
    rows = watch("contacts", "--target", "=1+1", "--to", "+6h", "--format", "csv").csv
    assert {row["target"] for row in rows} == {"'=1+1"}


@pytest.mark.parametrize("columns", ["", "80"])
def test_every_line_of_the_table_fits_eighty_columns(watch: Watch, columns: str) -> None:
    for arguments in ([], ["--target", "Lantern 3"], ["--day-of-year"], ["--to", "+1h"]):
        answer = watch("contacts", *arguments, COLUMNS=columns)
        assert answer.code == 0
        assert max(map(len, answer.out.splitlines())) <= 80
        assert "\x1b" not in answer.out
        assert all(line == line.rstrip() for line in answer.out.splitlines())


def test_a_wide_screen_gets_more_columns_and_a_narrow_one_fewer(watch: Watch) -> None:
    wide = watch("contacts", "--to", "+6h", COLUMNS="140").out
    narrow = watch("contacts", "--to", "+6h", COLUMNS="70").out
    assert "Range" in wide
    assert "Az AOS-LOS" in wide
    assert max(map(len, wide.splitlines())) <= 140
    assert "Az AOS-LOS" not in narrow
    assert "Max el" in narrow
    assert max(map(len, narrow.splitlines())) <= 70


def test_the_table_names_units_and_says_what_is_cut(watch: Watch) -> None:
    out = watch("contacts", "--target", "Heron 1", "--station", "Nordhavn", "--to", "+2d").out
    assert "1 contact of Heron 1 with Nordhavn" in out
    assert "from 2026-11-25 09:00:00Z to 2026-11-27 09:00:00Z" in out
    assert re.search(r"2026-11-25 09:00:00Z<\s+09:00:00Z \+2d>\s+-\s+2 d", out)
    assert "< in view before the time shown; > in view beyond the time shown." in out
    assert re.search(r"^\s+UTC\s+UTC\s+s\s+deg", out, re.MULTILINE)


def test_days_of_year_are_shown_on_request_only(watch: Watch) -> None:
    # CCSDS 301.0-B-4 section 3.5.1.2: 25 November 2026 is day 329.
    plain = watch("contacts", "--to", "+6h").out
    counted = watch("contacts", "--to", "+6h", "--day-of-year").out
    assert "2026-11-25" in plain
    assert "2026-329" not in plain
    assert "2026-329" in counted
    assert "2026-11-25" not in counted


def test_the_span_may_be_given_in_any_form_of_time(watch: Watch) -> None:
    forms = [
        ("now", "+6h"),
        (NOW, "2026-11-25T15:00:00Z"),
        ("2026-329T09:00:00Z", "2026-11-25T16:00:00+01:00"),
    ]
    answers = {
        watch("contacts", "--from", start, "--to", end, "--format", "json").out
        for start, end in forms
    }
    assert len(answers) == 1
    earlier = watch("contacts", "--from", "-6h", "--to", "now", "--format", "json").json
    assert all(contact["los"] <= "2026-11-25T09:00:00.000Z" for contact in earlier)


def test_without_an_end_the_configured_horizon_is_used(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    watch.write("contactd.yaml", "horizon: {ahead: 12h}\n")
    assert "from 2026-11-25 09:00:00Z to 21:00:00Z" in watch("contacts").out


def test_no_contact_is_said_so(watch: Watch) -> None:
    answer = watch("contacts", "--target", "Heron 1", "--station", "Kelp Bay")
    assert answer.code == 0
    assert answer.out.startswith("No contacts of Heron 1 with Kelp Bay")
    empty = watch("contacts", "--target", "Heron 1", "--station", "Kelp Bay", "--format", "json")
    assert empty.json == []


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--target", "Lanter 3"], "No target 'Lanter 3'. Did you mean 'Lantern 3'?"),
        (["--station", "North"], "No station 'North'. Did you mean 'Nordhavn'?"),
        (["--station", "xyz"], "Use one of 'Cape Sorrow', 'Kelp Bay', 'Mirador', 'Nordhavn'"),
        (["--from", "2026-11-25T09:00:00"], "For UTC, add Z at its end"),
        (["--to", "-1h"], "--from is not before --to. Swap them"),
        (["--to", "+7"], "add a unit to 7"),
        (["--format", "xml"], "'xml' is not one of"),
        (["--frm", "now"], "--frm"),
    ],
)
def test_a_slip_on_the_command_line_is_told_with_what_was_meant(
    watch: Watch, arguments: list[str], message: str
) -> None:
    answer = watch("contacts", *arguments)
    assert answer.code == 2
    assert answer.out == ""
    assert message in answer.err
    assert "Traceback" not in answer.err


def test_capitals_do_not_matter_in_a_name(watch: Watch) -> None:
    assert watch("contacts", "--target", "LANTERN 3", "--to", "+6h").code == 0


def test_a_missing_configuration_folder_is_told_with_what_to_do(tmp_path: Path) -> None:
    answer = Watch(tmp_path)("contacts")
    assert answer.code == 2
    assert "is no such folder" in answer.err
    assert "contactd demo DIR" in answer.err


def test_errors_in_a_file_are_told_and_the_rest_is_predicted(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    path = watch.write("stations/mirador.yaml", "name: Mirador\nlatitude_deg: 95\nlongitud: 3\n")
    answer = watch("contacts", "--format", "json")
    assert answer.code == 1
    assert {each["station"] for each in answer.json} == {"Nordhavn", "Cape Sorrow", "Kelp Bay"}
    lines = answer.err.splitlines()
    assert lines[0].startswith(f"{path}:2:15: latitude_deg: found the number 95; expected a lati")
    assert lines[1].startswith(f"{path}:3:1: longitud: found the unknown key longitud; expected l")
    assert lines[2:] == [
        "note: this answer leaves out what is invalid there. Correct these 2 errors, then run "
        "`contactd check`."
    ]


@pytest.mark.parametrize("command", ["contacts", "forecast"])
def test_wrong_settings_stop_a_command_before_it_looks_in_the_wrong_place(
    tmp_path: Path, command: str
) -> None:
    watch = lay_watch(tmp_path)
    path = watch.write("contactd.yaml", "store: {url: 12}\n")
    answer = watch(command)
    assert answer.code == 1
    assert answer.out == ""
    lines = answer.err.splitlines()
    assert lines[0].startswith(f"{path}:1:14: store.url: found the number 12; expected")
    assert lines[1] == "Correct the error, then run `contactd check`."


def test_a_target_without_elements_is_told_and_the_rest_is_predicted(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    watch.write("targets/curlew.yaml", "name: Curlew\n")
    answer = watch("contacts", "--to", "+1d", "--format", "json")
    assert answer.code == 1
    assert {each["target"] for each in answer.json} == {"Lantern 3", "Heron 1"}
    assert answer.err.startswith("Curlew: No elements. Add a set")
    assert len(answer.err.splitlines()) == 1


def test_a_target_that_decays_is_told_and_predicted_until_then(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    falling = low_orbit()
    heavy = target_text(falling, "name: Faller\nelements:\n  tle: |\n    {line1}\n    {line2}\n")
    heavy = heavy.replace("20000-4", "50000-0")
    # The checksum (column 69) counts the digits of the line and one for each minus sign.
    lines = heavy.splitlines()
    body = lines[3].strip()[:68]
    total = sum(int(letter) if letter.isdigit() else letter == "-" for letter in body)
    lines[3] = f"    {body}{total % 10}"
    watch.write("targets/faller.yaml", "\n".join(lines) + "\n")
    answer = watch("contacts", "--target", "Faller", "--to", "+60d", "--format", "json")
    assert answer.code == 1
    assert answer.err.startswith("Faller: ")
    contacts = answer.json
    assert contacts
    assert contacts[-1]["los"] < (utc(NOW) + timedelta(days=59)).astimezone(UTC).isoformat()


def test_stale_elements_are_noted_and_no_failure(watch: Watch) -> None:
    answer = watch("contacts", "--target", "Lantern 3", now="2026-12-20T00:00:00Z")
    assert answer.code == 0
    assert answer.err == (
        "note: Lantern 3: the elements are 25 d from their epoch and stale after 7 d. "
        "Get a newer set.\n"
    )


def test_a_name_cannot_play_with_the_terminal(tmp_path: Path) -> None:
    watch = lay_watch(tmp_path)
    watch.write(
        "targets/lantern-3.yaml", target_text(low_orbit()).replace("Lantern 3", "Lan[red]tern")
    )
    out = watch("contacts", "--to", "+6h").out
    assert "Lan[red]tern" in out


def test_a_reader_that_goes_away_leaves_no_traceback(watch: Watch) -> None:
    import subprocess
    import sys

    with subprocess.Popen(
        [sys.executable, "-m", "contactd", "contacts", "--config", str(watch.config)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert b"Traceback" not in process.stderr.read()
