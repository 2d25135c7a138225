"""Schedules of station time, written for others and read from them."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ElementTree

import pytest

from contactd.core.allocation.result import Grant
from contactd.core.allocation.schedule import Booking, Schedule
from contactd.core.errors import InputError
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.faces.exchange.plain import csv_text, json_form, read_csv, read_json
from contactd.faces.exchange.plan import Plan, plan_of
from contactd.faces.exchange.reading import format_of, read_plan, understand
from contactd.faces.exchange.simple_schedule import (
    FIELDS,
    faults,
    read_simple_schedule,
    write_simple_schedule,
)

AT = from_text("2026-11-25T09:00:00Z")
SPAN = (AT, AT + 86_400.0)
TARGETS = ["Lantern 3", "Pale Heron"]
STATIONS = {
    "Kelp Bay": Station("Kelp Bay", 64.0, -147.0, setup_s=120.0, teardown_s=60.0),
    "Mirador": Station("Mirador", 5.0, -52.0),
}
GRANTS = [
    Grant("Lantern 3", "Kelp Bay", AT + 600.25, AT + 1200.5, ("daily", "stop of wake-up/beacon")),
    Grant("Pale Heron", "Mirador", AT + 900.0, AT + 4500.0, ("contacts",)),
    Grant("Pale <&> \"Heron\"", "Kelp Bay", AT + 9000.0, AT + 9600.0, ("contacts",)),
]  # fmt: skip
SERVICES = {("Lantern 3", "daily"): "telemetry", ("Lantern 3", "stop of wake-up/beacon"): "command"}


def plan() -> Plan:
    return plan_of(GRANTS, STATIONS, SPAN, AT, SERVICES, "Watch & Co")


def times(some: Plan) -> list[tuple[str, str, float, float]]:
    return [
        (each.target, each.station, round(each.start - AT, 3), round(each.end - AT, 3))
        for each in some.entries
    ]


def test_a_simple_schedule_keeps_to_the_fields_that_are_known() -> None:
    """CCSDS 902.1-B-1; field names are values from memory: no schema and no body of the book could
    be had."""
    written = write_simple_schedule(plan())
    assert faults(written) == ()
    root = ElementTree.fromstring(written)
    name = "{urn:ccsds:schema:cssm:1.0.0}"
    assert root.tag == f"{name}simpleSchedule"
    header = root[0]
    assert list(header.attrib) == [rule.name for rule in FIELDS["simpleScheduleHeader"]]
    assert header.attrib["startTime"] == "2026-329T09:00:00.000Z"
    activity = root[1][0]
    assert activity.attrib["beginningOfActivity"] == "2026-329T09:08:00.250Z"
    assert activity.attrib["beginningOfTrack"] == "2026-329T09:10:00.250Z"
    assert activity.attrib["endOfActivity"] == "2026-329T09:21:00.500Z"
    assert [each.attrib["serviceType"] for each in activity] == ["command", "telemetry"]
    assert root[3].attrib["user"] == 'Pale <&> "Heron"'


def test_what_does_not_keep_to_the_fields_is_named() -> None:
    written = write_simple_schedule(plan()).decode()
    assert faults(written.replace('status="OPERATIONAL"', "").encode()) == ("line 3: no status",)
    wrong = written.replace("2026-329T09:10:00.250Z", "2026-11-25T09:10:00Z").encode()
    assert faults(wrong) == ("line 5: beginningOfTrack 2026-11-25T09:10:00Z",)
    assert faults(written.replace("serviceInfo", "service").encode())[0].endswith("element service")


@pytest.mark.parametrize(
    ("write", "read"),
    [
        (write_simple_schedule, read_simple_schedule),
        (lambda some: csv_text(some).encode(), read_csv),
        (lambda some: json.dumps(json_form(some)).encode(), read_json),
    ],
    ids=["ccsds", "csv", "json"],
)
def test_what_is_written_is_read_back_the_same(write, read) -> None:
    written = write(plan())
    assert times(read(written)) == times(plan())
    assert times(read_plan(written)) == times(plan())
    assert format_of(written) in ("ccsds", "csv", "json")


def test_values_may_stand_in_elements_and_in_any_namespace() -> None:
    text = """<?xml version="1.0"?>
    <s:simpleSchedule xmlns:s="urn:other">
      <s:simpleScheduleHeader><s:startTime>2026-329T09:00:00Z</s:startTime>
        <s:endTime>2026-330T09:00:00.5Z</s:endTime></s:simpleScheduleHeader>
      <s:scheduledPackage><s:user>Lantern 3</s:user>
        <s:scheduledActivity>
          <s:beginningOfActivity>2026-11-25T10:00:00Z</s:beginningOfActivity>
          <s:endOfActivity>2026-11-25T10:10:00Z</s:endOfActivity>
          <s:apertureRef>Kelp Bay</s:apertureRef>
        </s:scheduledActivity>
        <s:scheduledActivity activityStatus="CANCELLED" beginningOfActivity="2026-329T11:00:00Z"
          endOfActivity="2026-329T11:10:00Z" apertureRef="Kelp Bay"/>
      </s:scheduledPackage>
    </s:simpleSchedule>"""
    read = read_plan(text.encode())
    assert times(read) == [("Lantern 3", "Kelp Bay", 3600.0, 4200.0)]
    assert (read.start, read.end) == (AT, AT + 86_400.5)


def test_a_spreadsheet_s_csv_is_read() -> None:
    text = "\ufeffStation;Target;From;To;Remark\r\nKelp Bay;Lantern 3;2026-11-25T10:00:00Z;"
    read = read_plan((text + "2026-11-25T10:10:00Z;x\r\n\r\n").encode())
    assert times(read) == [("Lantern 3", "Kelp Bay", 3600.0, 4200.0)]


def test_text_that_a_spreadsheet_would_take_for_a_formula_is_disarmed() -> None:
    grants = [Grant("=cmd()", "Kelp Bay", AT, AT + 60.0)]
    rows = list(csv.reader(io.StringIO(csv_text(plan_of(grants, STATIONS, SPAN, AT, {})))))
    assert rows[1][0] == "'=cmd()"


WRONG = {
    "target,station,from\nA,B,2026-11-25T10:00:00Z": "1: found none of to; expected a heading",
    "target,station,from,to\nA,B,soon,2026-11-25T10:00:00Z": "2: from: found 'soon'; expected",
    "target,station,from,to\nA,,2026-11-25T10:00:00Z,2026-11-25T10:00:01Z": "2: station: found an",
    "target,station,from,to\nA,B,2026-11-25T10:00:00Z,2026-11-25T10:00:00Z": "2: to: found",
    '{"bookings": [{"target": 3}]}': "bookings[0].target: found a number; expected a text",
    '{"bookings": 3}': "found an object; expected an object with a list of bookings",
    "[": "1:2: found Expecting value; expected JSON",
    "<a/>": "1:1: a: found a; expected a simple schedule (CCSDS 902.1-B)",
    "<simpleSchedule><scheduledPackage user='A'><scheduledActivity apertureRef='B'/>"
    "</scheduledPackage></simpleSchedule>": "1:44: scheduledActivity: found not both of them",
    "<!DOCTYPE a [<!ENTITY b 'c'>]><a>&b;</a>": "1:13: found <!DOCTYPE; expected XML without",
}  # fmt: skip


@pytest.mark.parametrize("text", WRONG, ids=range(len(WRONG)))
def test_what_is_wrong_is_named_with_its_place(text: str) -> None:
    with pytest.raises(InputError) as told:
        read_plan(text.encode())
    assert str(told.value).startswith(WRONG[text])


def test_names_are_made_ours_and_others_are_counted() -> None:
    read = read_csv(
        b"target,station,from,to\n"
        b"LNTRN3,kelp bay,2026-11-25T10:00:00Z,2026-11-25T10:10:00Z\n"
        b"Somebody,Kelp Bay,2026-11-25T12:00:00Z,2026-11-25T12:10:00Z\n"
        b"Lantern 3,Elsewhere,2026-11-25T13:00:00Z,2026-11-25T13:10:00Z\n"
    )
    found = understand(read, TARGETS, list(STATIONS), {"LNTRN3": "Lantern 3"}, ["Mirador"])
    start, end = AT + 3600.0, AT + 4 * 3600.0 + 600.0
    booking = Booking("Lantern 3", "Kelp Bay", AT + 3600.0, AT + 4200.0)
    assert found.schedules == (
        Schedule("Kelp Bay", start, end, (booking,)),
        Schedule("Mirador", start, end),
    )
    assert (found.others, found.elsewhere) == ({"Somebody": 1}, {"Elsewhere": 1})
    assert not found.span_is_said


def test_two_targets_at_one_antenna_at_once_are_refused() -> None:
    read = read_csv(
        b"target,station,from,to\n"
        b"Lantern 3,Kelp Bay,2026-11-25T10:00:00Z,2026-11-25T10:10:00Z\n"
        b"Pale Heron,Kelp Bay,2026-11-25T10:09:00Z,2026-11-25T10:20:00Z\n"
    )
    with pytest.raises(InputError, match="found Lantern 3 and Pale Heron at once"):
        understand(read, TARGETS, list(STATIONS), {})
