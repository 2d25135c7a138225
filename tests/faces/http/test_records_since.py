"""What was recorded since a time that somebody read off a record."""

from __future__ import annotations

import pytest

from contactd.core import record as kinds
from contactd.core.instants import from_text
from contactd.core.outlook import Snapshot
from contactd.core.record import Record
from contactd.faces.handover.gather import gather
from contactd.faces.http.view import RecordFilter
from contactd.mission.timetext import NEAREST, machine

NOON = from_text("2026-11-25T12:00:00Z")


@pytest.mark.parametrize("past_ms", [0.0, 0.2, 0.499, 0.501, 0.9])
def test_a_time_that_was_read_off_a_record_finds_that_record(past_ms: float) -> None:
    record = Record(NOON + past_ms / 1e3, kinds.REMARK, "Lantern 3", "tester", {"text": "iced"})
    shown = machine(record.at, NEAREST)
    assert shown is not None
    since = from_text(shown)
    assert RecordFilter(since=since).holds(record)
    assert not RecordFilter(since=since + 0.002).holds(record)
    handover = gather([record], Snapshot(NOON), {}, since, NOON + 60, NOON + 3600)
    assert len(handover.changed) + len(handover.decided) == 1
