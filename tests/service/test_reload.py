"""Configuration is loaded when it changes, and when recurring outages run out."""

from __future__ import annotations

from pathlib import Path

import pytest

from contactd.config import load
from contactd.core.instants import DAY_S, from_text
from contactd.service.files import FilesOnDisk

STATION = "{name: B, latitude_deg: 0, longitude_deg: 0, outages: b.ics}"
CALENDAR = """\
BEGIN:VCALENDAR
VERSION:2.0
PRODID:x
BEGIN:VEVENT
UID:1
DTSTAMP:20200101T000000Z
DTSTART:20200101T030000Z
DURATION:PT1H
RRULE:FREQ=WEEKLY
END:VEVENT
END:VCALENDAR
"""
NOW = from_text("2026-12-01T00:00:00Z")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    stations = tmp_path / "config" / "stations"
    stations.mkdir(parents=True)
    (stations / "b.yaml").write_text(STATION)
    (stations / "b.ics").write_text(CALENDAR)
    return tmp_path / "config"


def test_files_that_do_not_change_are_not_loaded(folder: Path) -> None:
    reloader = FilesOnDisk(load(folder, around=NOW), None)
    assert [reloader.changed(NOW + second) for second in range(5)] == [None] * 5


def test_recurring_outages_are_written_out_further_before_they_run_out(folder: Path) -> None:
    configuration = load(folder, around=NOW)
    reloader = FilesOnDisk(configuration, None)
    later = NOW + 50 * DAY_S
    loaded = reloader.changed(later)
    assert loaded is not None
    assert loaded.configuration is not None
    assert loaded.configuration.digest == configuration.digest
    last = loaded.configuration.stations["B"].outages.ends[-1]
    assert last > configuration.stations["B"].outages.ends[-1] + 40 * DAY_S
    assert reloader.changed(later) is None


def test_a_refused_load_is_not_tried_again_until_the_files_change(folder: Path) -> None:
    reloader = FilesOnDisk(load(folder, around=NOW), None)
    path = folder / "stations" / "b.yaml"
    path.write_text("name: [")
    later = NOW + 50 * DAY_S
    first = reloader.changed(later)
    assert first is not None
    assert first.configuration is None
    told = [reloader.changed(later) for _ in range(4)]
    assert sum(each is not None for each in told) == 1  # the change itself, once it holds still
    path.write_text(STATION)
    told = [reloader.changed(later) for _ in range(4)]
    assert sum(each is not None for each in told) == 1
