"""``contactd check``: every error, or what the configuration holds."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import Watch, lay_watch


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    return lay_watch(tmp_path)


def test_a_right_configuration_is_summed_up(watch: Watch) -> None:
    answer = watch("check")
    assert (answer.code, answer.err) == (0, "")
    lines = answer.out.splitlines()
    assert lines[:2] == [
        f"{watch.config}: no errors.",
        "4 stations, 2 targets, 1 sequence.",
    ]
    assert any(line.split()[:3] == ["Kelp", "Bay", "64.0000"] for line in lines)
    lantern = next(line for line in lines if line.startswith("Lantern 3"))
    assert "2026-11-25 00:00:00Z" in lantern
    assert "9 h ago" in lantern
    assert "wake-up" in lantern
    words = " ".join(lines)
    # 0.2 s + 1.5 s a day for nine hours: 0.77 s.
    assert "Lantern 3: orbit error ± 0.8 s along track, stated." in words
    assert max(map(len, lines[1:])) <= 80


def test_every_error_of_every_file_stands_on_its_own_line(watch: Watch) -> None:
    station = watch.write(
        "stations/mirador.yaml", "name: Mirador\nlatitude_deg: 95\nlongitud: 3\nlatitude_deg: 5\n"
    )
    target = watch.write("targets/curlew.yaml", "name: Curlew\nelements:\n  tle: missing.tle\n")
    answer = watch("check")
    assert answer.code == 1
    lines = answer.out.splitlines()
    places = [line.split(": ")[0] for line in lines[:-2]]
    assert all(place.startswith((f"{station}:", f"{target}:")) for place in places)
    assert f"{target}:3:8" in places
    assert all("; expected " in line for line in lines[:-2])
    assert lines[-2:] == [
        f"{len(places)} errors in {watch.config}.",
        "Correct it, then run `contactd check` again.",
    ]


def test_json_gives_each_error_in_parts(watch: Watch) -> None:
    station = watch.write("stations/mirador.yaml", "name: Mirador\nlatitude_deg: 95\n")
    answer = watch("check", "--format", "json")
    assert answer.code == 1
    error = answer.json["errors"][0]
    assert error["path"] == str(station)
    assert (error["line"], error["column"], error["key"]) == (1, 1, "longitude_deg") or (
        error["line"],
        error["column"],
        error["key"],
    ) == (2, 15, "latitude_deg")
    assert set(error) == {"path", "line", "column", "key", "found", "expected", "text"}
    assert "Mirador" not in answer.json["stations"]


def test_csv_gives_a_row_an_error(watch: Watch) -> None:
    watch.write("stations/mirador.yaml", "name: Mirador\nlatitude_deg: 95\nlongitude_deg: 3\n")
    rows = watch("check", "--format", "csv").csv
    assert [(row["verdict"], row["line"], row["key"]) for row in rows] == [
        ("error", "2", "latitude_deg")
    ]


def test_stale_elements_and_missing_ones_are_noted(watch: Watch) -> None:
    watch.write("targets/curlew.yaml", "name: Curlew\n")
    answer = watch("check", now="2026-12-20T00:00:00Z")
    assert answer.code == 0
    notes = [line for line in answer.out.splitlines() if line.startswith("note: ")]
    assert any("Lantern 3" in line and "25 d" in line for line in notes)
    assert any("Curlew" in line and "no elements" in line for line in notes)


def test_it_says_how_well_the_earths_turning_is_known(watch: Watch) -> None:
    soon = watch("check", "--format", "json", now="2026-12-03T08:00:00Z").json
    late = watch("check", "--format", "json", now="2028-12-03T08:00:00Z").json
    assert soon["earth_rotation"]["measured_until"] < "2026-12-03"
    assert 0.0 < soon["earth_rotation"]["error_s"] < late["earth_rotation"]["error_s"]
    assert not any("UT1" in each["text"] for each in soon["notes"])
    (note,) = [each["text"] for each in late["notes"] if "UT1" in each["text"]]
    assert "may be off by 1.1 s" in note


def test_an_empty_folder_is_no_error_and_says_that_nothing_is_there(tmp_path: Path) -> None:
    watch = Watch(tmp_path)
    watch.config.mkdir()
    answer = watch("check")
    assert answer.code == 0
    assert "0 stations, 0 targets, 0 sequences" in answer.out


def test_a_file_in_place_of_the_folder_is_a_misuse(tmp_path: Path) -> None:
    watch = Watch(tmp_path)
    watch.config.write_text("name: x\n")
    answer = watch("check")
    assert answer.code == 2
    assert "is a file. Name the folder" in answer.err


def test_a_misnamed_folder_of_targets_is_noted(tmp_path):
    contactd = lay_watch(tmp_path)
    (contactd.config / "targets").rename(contactd.config / "target")
    checked = contactd("check")
    assert checked.code == 0
    assert "nothing is watched" in checked.out
    assert "is target/ meant to be targets/?" in " ".join(checked.out.split())
