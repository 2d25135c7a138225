"""Each record in words: statements in those of their form, never a ledger's kind."""

from __future__ import annotations

import pytest

from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.mission.texts.records import PLAIN, TITLES, record_words

A, B = "2026-12-03T08:00:00.000000Z", "2026-12-03T08:00:40.000000Z"


def words(kind: str, **body: object) -> str:
    return record_words(Record(0.0, kind, "Lantern 3/wake-up", "Ada Quill", body))


def test_every_kind_of_record_has_words() -> None:
    assert set(TITLES) | set(PLAIN) == kinds.KINDS
    assert not set(TITLES) & set(PLAIN)


@pytest.mark.parametrize(
    ("kind", "body", "said"),
    [
        (kinds.START_OBSERVED, {"earliest": A, "latest": B},
         "it started, 2026-12-03 08:00:00Z to 08:00:40Z"),
        (kinds.START_REFUTED, {"why": "no power"}, "it did not start: no power"),
        (kinds.SETTING_CHOSEN, {"setting_s": 12_000.0}, "a timer was set to 3 h 20 min"),
        (kinds.READING, {"at": A, "remaining_s": 1740.0, "error_s": 30.0},
         "a countdown was read 2026-12-03 08:00:00Z: 29 min remaining ± 30 s"),
        (kinds.STEP_SEEN, {"at": B, "by": "camera"}, "a step is confirmed by 2026-12-03 08:00:40Z"),
        (kinds.RULING, {"ruling": "not started", "why": "no current drawn"},
         "a decision: not started: no current drawn"),
        (kinds.COMMAND_SENT, {"command": "stop", "station": "Brenn Head", "at": A},
         "a command was sent: stop through Brenn Head, 2026-12-03 08:00:00Z"),
        (kinds.CONTACT_MISSED, {"station": "Brenn Head", "at": A, "why": "wind"},
         "a contact was missed: Brenn Head, 2026-12-03 08:00:00Z: wind"),
        (kinds.STATION_STATUS, {"status": "out", "from": A, "why": "wind"},
         "a station's status: out 2026-12-03 08:00:00Z until further notice: wind"),
        (kinds.REMARK, {"text": "Crew inside."}, "a remark: Crew inside."),
        (kinds.START_OBSERVED, {"earliest": 7}, "it started"),
        (kinds.CONFIGURATION_REFUSED, {"problems": ["lantern.yaml:3:1: name", "more"]},
         "configuration refused, the one before stays in force: lantern.yaml:3:1: name"),
        ("of-another-version", {"why": "x"}, "of another version: x"),
    ],
)  # fmt: skip
def test_a_record_says_what_was_stated(kind: str, body: dict, said: str) -> None:
    assert words(kind, **body) == said
