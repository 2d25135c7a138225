"""Grants that a station confirms as they were asked for: nothing that was promised gets lost."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace

import pytest
import vobject
from countdown_scene import SPAN, Scene

from contactd.core.allocation.records import learn_schedule, schedule_body
from contactd.core.allocation.result import Allocation, Grant
from contactd.core.allocation.schedule import Confirmed, time_given
from contactd.core.instants import from_utc
from contactd.core.record import STATION_TIME_CONFIRMED, Record
from contactd.faces.exchange.forms import GRANT_FIELDS, grant_form
from contactd.faces.exchange.plain import csv_text, json_form
from contactd.faces.exchange.plan import Entry, Plan, plan_of
from contactd.faces.exchange.reading import read_plan, understand
from contactd.faces.exchange.simple_schedule import write_simple_schedule
from contactd.faces.export.calendar import calendar_text
from contactd.faces.export.events import grant_events


def as_table(grants: tuple[Grant, ...]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, GRANT_FIELDS)
    writer.writeheader()
    writer.writerows(grant_form(each) for each in grants)
    return out.getvalue().encode()


def from_calendar(grants: tuple[Grant, ...]) -> Plan:
    text = calendar_text(grant_events(grants, {}), SPAN[0], name="Station time")
    events = vobject.readOne(text.decode()).contents["vevent"]
    return Plan(
        tuple(
            Entry(
                each.summary.value.rpartition(" for ")[2],
                each.location.value,
                from_utc(each.dtstart.value),
                from_utc(each.dtend.value),
            )
            for each in events
        ),
        *SPAN,
    )


def plan(grants: tuple[Grant, ...]) -> Plan:
    return plan_of(grants, {}, SPAN, SPAN[0], {})


WAYS: dict[str, Callable[[tuple[Grant, ...]], Plan]] = {
    "ccsds": lambda grants: read_plan(write_simple_schedule(plan(grants))),
    "csv": lambda grants: read_plan(csv_text(plan(grants)).encode()),
    "json": lambda grants: read_plan(json.dumps(json_form(plan(grants))).encode()),
    "table as csv": lambda grants: read_plan(as_table(grants)),
    "table as json": lambda grants: read_plan(json.dumps([*map(grant_form, grants)]).encode()),
    "calendar": from_calendar,
}


def confirmed(scene: Scene, given: Plan) -> dict[str, Confirmed]:
    """What the ledger says after every station's schedule was recorded."""
    names = list(scene.targets)
    # In whole seconds, as in a calendar, two contacts that touch overlap: one target at a time.
    found = [
        understand(
            replace(given, entries=tuple(each for each in given.entries if each.target == name)),
            names, scene.stations, {}, scene.stations, *SPAN,
        ).schedules
        for name in names
    ]  # fmt: skip
    known: dict[str, Confirmed] = {}
    for number, of_station in enumerate(zip(*found, strict=True), 1):
        schedule = replace(
            of_station[0], bookings=tuple(each for one in of_station for each in one.bookings)
        )
        body = schedule_body(schedule, "test")
        record = Record(SPAN[0], STATION_TIME_CONFIRMED, schedule.station, "test", body, number)
        known = dict(learn_schedule(known, record))
    return known


@pytest.fixture(scope="module")
def shared() -> list[tuple[Scene, Allocation]]:
    scenes = [Scene.of(seed) for seed in range(12)]
    return [(scene, scene.allocation()) for scene in scenes]


@pytest.mark.parametrize("way", WAYS)
def test_a_schedule_granted_as_asked_leaves_every_verdict_as_it_was(
    way: str, shared: list[tuple[Scene, Allocation]]
) -> None:
    covered = 0
    for seed, (scene, made) in enumerate(shared):
        known = confirmed(scene, WAYS[way](made.grants))
        for name in scene.counting:
            before = scene.step(name, made.granted(name))
            given = time_given(name, scene.stations, None, known)
            after = scene.step(name, given)
            assert after.coverage == before.coverage, f"seed {seed}, {name}"
            assert (after.stop_by or 0.0) >= (before.stop_by or 0.0), f"seed {seed}, {name}"
            both = scene.step(name, time_given(name, scene.stations, made, known))
            assert (both.coverage, both.stop_by) == (before.coverage, before.stop_by)
            covered += before.coverage is not None
    assert covered > 15


@pytest.mark.parametrize("way", [way for way in WAYS if way != "calendar"])
def test_what_comes_back_is_what_was_granted_to_the_last_digit(
    way: str, shared: list[tuple[Scene, Allocation]]
) -> None:
    for _, made in shared:
        entries = WAYS[way](made.grants).entries
        found = sorted((e.target, e.station, e.start, e.end) for e in entries)
        assert found == sorted((g.target, g.station, g.start, g.end) for g in made.grants)
