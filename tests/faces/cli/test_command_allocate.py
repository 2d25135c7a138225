"""``contactd allocate``, ``export schedule`` and ``record granted``, run as real processes."""

from __future__ import annotations

import itertools
import json
from pathlib import Path
from typing import Any

import pytest
import vobject
from command_line import NOW, Watch, lay_watch

from contactd.core.instants import from_text, from_utc, to_text
from contactd.faces.exchange.plain import read_csv
from contactd.faces.exchange.simple_schedule import faults, read_simple_schedule
from contactd.records.ledger import Ledger

DAY = ("--to", "2026-11-26T09:00:00Z")


@pytest.fixture
def watch(tmp_path: Path) -> Watch:
    laid = lay_watch(tmp_path)
    laid.write("contactd.yaml", "station_time: {frozen: 1h}\n")
    return laid


def grants(watch: Watch, *arguments: str) -> list[dict[str, Any]]:
    answer = watch("allocate", *DAY, "--format", "json", *arguments)
    assert answer.code == 0, answer.err
    return answer.json["grants"]


def records(watch: Watch) -> list[Any]:
    with Ledger.open(f"sqlite:///{watch.folder}/var/ledger.sqlite", create=False) as ledger:
        return list(ledger.records())


def overlapping(some: list[dict[str, Any]]) -> list[tuple[str, str]]:
    found = []
    ordered = sorted(some, key=lambda each: (each["station"], each["from"]))
    for one, other in itertools.pairwise(ordered):
        if one["station"] == other["station"] and other["from"] < one["to"]:
            found.append((one["from"], other["from"]))
    return found


def test_no_station_is_given_to_two_at_once_and_every_grant_lies_in_a_contact(watch: Watch) -> None:
    given = grants(watch)
    assert given
    assert overlapping(given) == []
    contacts = watch("contacts", *DAY, "--format", "json").json
    for grant in given:
        assert any(
            contact["target"] == grant["target"]
            and contact["station"] == grant["station"]
            and from_text(contact["aos"]) - 10 <= from_text(grant["from"])
            and from_text(grant["to"]) <= from_text(contact["los"]) + 10
            for contact in contacts
        ), grant


def test_the_table_fits_eighty_columns_and_tells_what_was_lost_to_whom(watch: Watch) -> None:
    watch.write(
        "contactd.yaml",
        "station_time:\n  requests: {priority: 9, count_per_day: 3, least_duration: 4min,"
        " most_duration: 6min}\n",
    )
    answer = watch("allocate", *DAY, "--explain")
    assert answer.code == 0
    assert max(map(len, answer.out.splitlines())) <= 80
    assert "grants of station time to" in answer.out
    assert "Less than wanted" in answer.out or "Every request has what it wants." in answer.out
    assert "proved" in answer.out


def test_who_loses_a_station_is_told_to_whom_and_why(watch: Watch) -> None:
    heron = (watch.config / "targets/heron-1.yaml").read_text()
    asks = "station_time: {priority: 50, most_duration: 12h, least_duration: 8h}\n"
    watch.write("targets/heron-1.yaml", heron + asks)
    told = watch("allocate", *DAY, "--explain", "--format", "json").json
    short = [each for each in told["short"] if each["target"] == "Lantern 3"]
    assert short
    assert any("lost to Heron 1" in each["because"] for each in short)
    lost = [one for each in short for one in each["lost"]]
    assert {grant["target"] for one in lost for grant in one["lost_to"]} == {"Heron 1"}


def test_without_a_section_it_says_so_and_shows_what_would_be(watch: Watch) -> None:
    watch.write("contactd.yaml", "")
    answer = watch("allocate", *DAY)
    assert answer.code == 0
    assert "has no station_time" in answer.err
    assert "grants of station time" in answer.out


def test_a_time_that_is_over_is_refused(watch: Watch) -> None:
    answer = watch("allocate", "--to", "2026-11-25T08:00:00Z")
    assert answer.code == 2
    assert "--to is not after --at" in answer.err


@pytest.mark.parametrize("form", ["ccsds", "csv", "json", "calendar"])
def test_an_export_has_the_same_grants_as_the_table(watch: Watch, form: str) -> None:
    expected = [
        (each["target"], each["station"], from_text(each["from"]), from_text(each["to"]))
        for each in grants(watch)
    ]
    answer = watch("export", "schedule", *DAY, "--format", form)
    assert answer.code == 0, answer.err
    if form == "calendar":
        events = vobject.readOne(answer.out).contents["vevent"]
        found = [
            (from_utc(each.dtstart.value), from_utc(each.dtend.value), each.location.value)
            for each in events
        ]
        # Calendars know whole seconds.
        for target, station, start, end in expected:
            assert any(
                abs(start - one) < 1 and abs(end - other) < 1 and where == station
                for one, other, where in found
            ), target
        return
    data = answer.out.encode()
    if form == "ccsds":
        assert faults(data) == ()
        read = [(e.target, e.station, e.start, e.end) for e in read_simple_schedule(data).entries]
    elif form == "csv":
        read = [(e.target, e.station, e.start, e.end) for e in read_csv(data).entries]
    else:
        read = [
            (each["target"], each["station"], from_text(each["from"]), from_text(each["to"]))
            for each in json.loads(data)["bookings"]
        ]
    assert sorted(read) == sorted(expected)


def test_a_calendar_of_station_time_is_carried_on(watch: Watch) -> None:
    path = watch.folder / "time.ics"
    arguments = ("export", "schedule", *DAY, "--format", "calendar", "--update", str(path))
    assert watch(*arguments).code == 0
    first = path.read_bytes()
    assert watch(*arguments).code == 0
    assert path.read_bytes() == first


def granted(watch: Watch, station: str) -> tuple[Path, list[dict[str, Any]]]:
    """A station's answer: the first is refused, the second cut short, the rest as asked."""
    given = grants(watch, "--target", "Lantern 3")
    asked = [each for each in given if each["station"] == station]
    assert len(asked) >= 3
    kept = [dict(each) for each in asked[1:]]
    kept[0]["to"] = to_text(from_text(kept[0]["to"]) - 120.0, 0)
    lines = ["target,station,from,to"]
    lines += [",".join(each[n] for n in ("target", "station", "from", "to")) for each in kept]
    path = watch.folder / "granted.csv"
    path.write_text("\n".join(lines) + "\n")
    return path, asked


def busiest(watch: Watch) -> str:
    names = [each["station"] for each in grants(watch, "--target", "Lantern 3")]
    return max(sorted(set(names)), key=names.count)


def test_what_a_station_granted_is_compared_recorded_and_kept_to(watch: Watch) -> None:
    station = busiest(watch)
    path, asked = granted(watch, station)
    span = ("--from", NOW, *DAY)
    tried = watch("record", "granted", str(path), *span, "--dry-run", "--format", "json")
    assert tried.code == 0, tried.err
    assert not (watch.folder / "var/ledger.sqlite").exists()
    answer = watch("record", "granted", str(path), *span, "--format", "json").json
    (told,) = answer
    assert told["stored"]
    mine = [each for each in told["differences"] if each["target"] == "Lantern 3"]
    kinds = [each["kind"] for each in mine]
    assert kinds == ["refused", "shorter", *["as asked"] * (len(asked) - 2)]
    assert mine[0]["asked_from"] == asked[0]["from"]
    others = {each["kind"] for each in told["differences"] if each["target"] != "Lantern 3"}
    assert others <= {"refused"}
    (record,) = records(watch)
    assert record.kind == "station-time-confirmed"
    assert record.body["before"] is None
    asked_of_all = [each for each in record.body["asked"] if each["target"] == "Lantern 3"]
    assert len(asked_of_all) == len(asked)
    after = [each for each in grants(watch) if each["station"] == station]
    assert {each["target"] for each in after} == {"Lantern 3"}
    assert all(each["from"] != asked[0]["from"] for each in after)
    cut = next(each for each in after if each["from"] == asked[1]["from"])
    assert from_text(cut["to"]) <= from_text(asked[1]["to"]) - 119


def test_a_second_schedule_is_compared_with_the_first_as_well(watch: Watch) -> None:
    station = busiest(watch)
    path, _ = granted(watch, station)
    span = ("--from", NOW, *DAY)
    assert watch("record", "granted", str(path), *span).code == 0
    path.write_text("\n".join(path.read_text().splitlines()[:-1]) + "\n")
    answer = watch("record", "granted", str(path), *span)
    assert answer.code == 0
    assert max(map(len, answer.out.splitlines())) <= 80
    _, _, against = answer.out.partition("Against the schedule before")
    assert "1 refused" in " ".join(against.split())
    before = records(watch)[-1].body["before"]
    assert len(before) == len(path.read_text().splitlines())


def test_without_shared_time_a_grant_still_closes_command_windows(watch: Watch) -> None:
    watch.write("contactd.yaml", "")
    window = ("export", "calendar", "--include", "window", *DAY)
    before = vobject.readOne(watch(*window).out).contents["vevent"]
    station = before[0].location.value
    path = watch.folder / "nothing.json"
    path.write_text('{"bookings": []}')
    answer = watch("record", "granted", str(path), "--station", station, "--from", NOW, *DAY)
    assert answer.code == 0, answer.err
    assert f"{station} granted 0 contacts" in answer.out
    assert "Against every predicted contact" in answer.out
    after = vobject.readOne(watch(*window).out).contents["vevent"]
    ahead = [each for each in after if from_utc(each.dtend.value) > from_text(NOW) + 1]
    assert station not in {each.location.value for each in ahead}
    assert {each.location.value for each in before} - {station} <= {
        each.location.value for each in ahead
    }


def test_a_name_that_is_nearly_one_of_ours_is_doubted_and_can_be_given(watch: Watch) -> None:
    path = watch.folder / "granted.csv"
    path.write_text(
        "target,station,from,to\nLantern-3,Kelp Bay,2026-11-25T10:00:00Z,2026-11-25T10:10:00Z\n"
    )
    answer = watch("record", "granted", str(path), "--dry-run")
    assert "passed over 1 contact of 'Lantern-3'" in answer.err
    assert "'Lantern 3' is meant" in answer.err
    assert "Kelp Bay granted 0 contacts" in answer.out
    named = watch("record", "granted", str(path), "--dry-run", "--name", "Lantern-3=Lantern 3")
    assert named.err == ""
    assert "Kelp Bay granted 1 contact" in named.out


def test_a_file_that_cannot_be_understood_is_named_and_nothing_is_recorded(watch: Watch) -> None:
    path = watch.folder / "granted.csv"
    path.write_text("target,station,from,to\nLantern 3,Kelp Bay,soon,later\n")
    answer = watch("record", "granted", str(path))
    assert answer.code == 1
    assert f"{path}:2: from: found 'soon'; expected a UTC time" in answer.err
    assert "Nothing was recorded." in answer.err
    assert not (watch.folder / "var/ledger.sqlite").exists()
