"""Alarm figures: against counts made by brute force, and what IEC 62682 and ISA-18.2 call a flood.

Figures of the standards (one in ten minutes; a flood from more than ten until fewer than five in
ten minutes; standing after a day): values from memory, clause 16 of both.
"""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from contactd.alerts.fold import AlertState, fold_alerts
from contactd.alerts.quality import (
    EVERYONE,
    Alarm,
    alarm_of,
    alarms_of,
    by_day,
    quality,
    role_of,
)
from contactd.core import record as kinds
from contactd.core.instants import from_text, to_text
from contactd.core.record import Record

T0 = from_text("2026-12-03T08:00:00Z")
DAY_S = 86_400.0


def alarm(at_s: float, kind: str = "step-uncovered", subject: str = "L/w/s", **more: Any) -> Alarm:
    given = {"severity": "caution", "role": "Controller", **more}
    return Alarm(kind, subject, raised_at=T0 + at_s, **given)


def one(alarms: list[Alarm], lasts_s: float = DAY_S):
    return quality(alarms, T0, T0 + lasts_s)[0]


@given(st.lists(st.integers(0, 7_000), max_size=60), st.integers(600, 9_000))
def test_mean_and_peak_are_those_of_any_ten_minutes(times: list[int], lasts_s: int) -> None:
    made = one([alarm(at) for at in times], lasts_s)
    inside = [at for at in times if at < lasts_s]
    assert made.alarms == len(inside)
    assert made.mean_per_10min == len(inside) / (lasts_s / 600)
    # A window that begins with an alarm holds as many as any other.
    assert made.peak_per_10min == max(
        (sum(first <= at < first + 600 for at in inside) for first in inside), default=0
    )


def test_a_flood_begins_above_ten_and_ends_below_five_in_ten_minutes() -> None:
    counts = (10, 11, 5, 4, 11, 0)
    alarms = [alarm(600 * n + i) for n, count in enumerate(counts) for i in range(count)]
    assert one(alarms, 3_600).flood_share == 3 / 6


def test_what_demands_nothing_is_a_notice_and_what_a_silence_held_back_is_told_apart() -> None:
    made = one([alarm(0), alarm(1, role=""), alarm(2, silenced=True)])
    assert (made.alarms, made.notices, made.silenced) == (1, 1, 1)
    assert role_of("Crew lead: keep everyone away.") == "Crew lead"
    assert role_of("Have it ready.") == "Controller"
    assert role_of("") == ""


def test_each_role_has_its_own_figures_and_its_own_day() -> None:
    alarms = [alarm(0), alarm(10, role="Crew lead"), alarm(20 * 3600)]
    days = by_day(alarms, T0, T0 + 1.5 * DAY_S)
    assert [(to_text(each.begins, 0), each.role, each.alarms) for each in days] == [
        ("2026-12-03T08:00:00Z", EVERYONE, 2),
        ("2026-12-03T08:00:00Z", "Controller", 1),
        ("2026-12-03T08:00:00Z", "Crew lead", 1),
        ("2026-12-04T00:00:00Z", EVERYONE, 1),
        ("2026-12-04T00:00:00Z", "Controller", 1),
    ]
    assert days[-1].ends == T0 + 1.5 * DAY_S


def test_one_stands_when_it_is_neither_acknowledged_nor_over_for_more_than_a_day() -> None:
    long_s = DAY_S + 2
    alarms = [
        alarm(-DAY_S, subject="open"),
        alarm(-long_s, subject="acknowledged", acknowledged_at=T0 - long_s + 60),
        alarm(-DAY_S, subject="ended within a day", ended_at=T0),
        alarm(-2 * long_s, subject="stood, but before", ended_at=T0 - 1),
        alarm(0, subject="young"),
    ]
    assert one(alarms, 60).standing == 1
    assert one(alarms, 60).alarms == 1


def test_chattering_repeats_and_time_to_acknowledge() -> None:
    alarms = [alarm(at) for at in (0, 299, 598, 4_000)]
    alarms += [alarm(at, subject="other") for at in (0, 299, 601)]
    alarms.append(alarm(5, kind="no-stop-possible", severity="warning", acknowledged_at=T0 + 65))
    alarms.append(alarm(5, kind="stop-by-coming", severity="advisory", acknowledged_at=T0 + 25))
    made = one(alarms)
    assert (made.chattering, made.repeats) == (1, 5)
    assert (made.acknowledged, made.median_s, made.longest_s) == (2, 40.0, 60.0)
    assert made.top[0] == ("step-uncovered", 7)
    assert made.priorities == {"advisory": 1 / 9, "caution": 7 / 9, "warning": 1 / 9}


def raised(identity: str, at_s: float, **more: Any) -> Record:
    at = to_text(T0 + at_s, 6)
    body = {
        "identity": identity, "kind": "step-uncovered", "sort": "condition", "severity": "warning",
        "target": "L", "what": "It.", "do": "Controller: act.", "notice": "", "due": at,
        "moment": at, "over_at": None, "facts": {}, "late": False, "channels": ["log"],
        "series": f"step-uncovered|{identity}", "begins": None, "ends": None, "lead_s": 0.0,
        "rests_on": "", **more,
    }  # fmt: skip
    return Record(T0 + at_s, kinds.ALERT_RAISED, "L/w/s", "contactd", body)


def about(kind: str, identity: str, at_s: float, **more: Any) -> Record:
    return Record(T0 + at_s, kind, "L/w/s", "contactd", {"identity": identity, **more})


def test_a_ledger_and_what_the_service_keeps_of_it_give_the_same_alarms() -> None:
    records = [
        raised("a", 0.0),
        raised("b", 1.0, sort="event", over_at=to_text(T0 + 50.0, 6)),
        raised("c", 2.0, do=""),
        raised("d", 3.0, sort="event", over_at=to_text(T0 + 5_000.0, 6)),
        about(kinds.ALERT_ACKNOWLEDGED, "a", 30.0),
        about(kinds.ALERT_ACKNOWLEDGED, "a", 40.0),
        about(kinds.ALERT_SILENCED, "b", 50.0, channels=["log"], why="drill"),
        about(kinds.ALERT_RESOLVED, "a", 60.0, why="ended"),
        about(kinds.ALERT_EXPIRED, "b", 51.0),
        about(kinds.ALERT_RESOLVED, "d", 70.0, why="superseded"),
    ]
    found = alarms_of(records)
    kept = fold_alerts(AlertState(), records).tracked.values()
    assert found == [alarm_of(each) for each in kept]
    assert [each.acknowledged_at for each in found] == [T0 + 30.0, None, None, None]
    assert [each.ended_at for each in found] == [T0 + 60.0, T0 + 50.0, None, T0 + 70.0]
    assert [each.silenced for each in found] == [False, True, False, False]
    assert [each.role for each in found] == ["Controller", "Controller", "", "Controller"]
