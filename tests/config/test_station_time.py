"""Station time in the files: what each target asks for, and what it asks for by default."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from contactd.config import load
from contactd.core.allocation.request import Request
from contactd.core.instants import from_text

STATION = "name: {name}\nlatitude_deg: 10\nlongitude_deg: 20\nservices: {{telemetry: {{}}}}\n"


def laid(folder: Path, settings: str, target: str = "") -> Path:
    for part in ("stations", "targets"):
        (folder / part).mkdir()
    for name in ("North", "South"):
        (folder / "stations" / f"{name}.yaml").write_text(STATION.format(name=name))
    (folder / "targets" / "lantern.yaml").write_text(f"name: Lantern 3\n{target}")
    (folder / "contactd.yaml").write_text(settings)
    return folder


def test_without_the_section_every_contact_is_ours(tmp_path: Path) -> None:
    configuration = load(laid(tmp_path, ""))
    assert configuration.sharing is None
    assert not configuration.requests


def test_a_request_without_the_section_is_noticed(tmp_path: Path) -> None:
    found = load(laid(tmp_path, "", "station_time: {service: telemetry}\n"))
    assert found.sharing is None
    assert "every contact is ours" in str([str(each) for each in found.notices])


@pytest.mark.parametrize("settings", ["station_time: {}\n", "station_time: {requests: []}\n"])
def test_the_bare_section_asks_for_every_contact_of_every_target(
    tmp_path: Path, settings: str
) -> None:
    sharing = load(laid(tmp_path, settings)).sharing
    assert sharing is not None
    assert (sharing.frozen_s, sharing.solver, sharing.nodes) == (7200.0, "highs", 400)
    assert sharing.requests == {"Lantern 3": (Request("Lantern 3"),)}


def test_a_targets_own_requests_go_before_the_general_ones(tmp_path: Path) -> None:
    general = "station_time: {requests: {priority: 3, count_per_day: 2}}\n"
    own = "station_time:\n  - {priority: 7, stations: South}\n  - {name: upload, count: 1}\n"
    sharing = load(laid(tmp_path, general, own)).sharing
    assert sharing is not None
    first, second = sharing.requests["Lantern 3"]
    assert (first.priority, first.stations, first.count) == (7, ("South",), None)
    assert (second.name, second.count, second.per_day) == ("upload", 1, False)


def test_the_general_requests_are_those_of_every_target_that_says_nothing(tmp_path: Path) -> None:
    general = "station_time: {requests: {priority: 3, count_per_day: 2, preferred: North}}\n"
    sharing = load(laid(tmp_path, general)).sharing
    assert sharing is not None
    wanted = Request("Lantern 3", priority=3, count=2, preferred=("North",))
    assert sharing.requests["Lantern 3"] == (wanted,)


def test_everything_that_can_be_asked_for_is_understood(tmp_path: Path) -> None:
    own = """\
station_time:
  name: upload
  service: telemetry
  priority: 20
  least_duration: 6min
  most_duration: 20min
  count: 2
  least_spacing: 2h
  not_before: 2026-12-03T08:00:00Z
  deadline: 2026-12-04T08:00:00Z
  stations: [North, South]
  preferred: South
  handover_overlap: 30s
"""
    sharing = load(laid(tmp_path, "station_time: {frozen: 1h, search_nodes: 50}\n", own)).sharing
    assert sharing is not None
    assert sharing.requests["Lantern 3"] == (
        Request(
            "Lantern 3",
            "upload",
            "telemetry",
            priority=20,
            least_duration_s=360.0,
            most_duration_s=1200.0,
            count=2,
            per_day=False,
            least_spacing_s=7200.0,
            not_before=from_text("2026-12-03T08:00:00Z"),
            deadline=from_text("2026-12-04T08:00:00Z"),
            stations=("North", "South"),
            preferred=("South",),
            handover_overlap_s=30.0,
        ),
    )


def test_by_a_deadline_one_contact_is_meant(tmp_path: Path) -> None:
    own = "station_time: {deadline: 2026-12-04T08:00:00Z}\n"
    sharing = load(laid(tmp_path, "station_time: {}\n", own)).sharing
    assert sharing is not None
    (request,) = sharing.requests["Lantern 3"]
    assert (request.count, request.per_day, request.not_before) == (1, False, -math.inf)


def test_setup_and_teardown_are_the_stations(tmp_path: Path) -> None:
    folder = laid(tmp_path, "")
    text = STATION.format(name="North") + "setup: 5min\nteardown: 90s\n"
    (folder / "stations" / "North.yaml").write_text(text)
    station = load(folder).stations["North"]
    assert (station.setup_s, station.teardown_s) == (300.0, 90.0)
