"""Hours of the day, roles on duty, quiet hours."""

import pytest

from contactd.alerts.escalation_policy import Care, Duty, Hours, Manner
from contactd.core.alert import Severity
from contactd.core.instants import from_text

HOUR_S = 3600.0
NIGHT = Hours(22 * HOUR_S, 6 * HOUR_S)


@pytest.mark.parametrize(
    ("time", "held"),
    [
        ("21:59:59", False),
        ("22:00:00", True),
        ("00:00:00", True),
        ("05:59:59", True),
        ("06:00:00", False),
        ("12:00:00", False),
    ],
)
def test_hours_may_run_over_midnight(time, held):
    assert NIGHT.hold(from_text(f"2026-12-03T{time}Z")) is held


def test_hours_within_a_day_hold_between_their_ends():
    day = Hours(6 * HOUR_S, 22 * HOUR_S)
    assert day.hold(from_text("2026-12-03T06:00:00Z"))
    assert not day.hold(from_text("2026-12-03T22:00:00Z"))


def test_hours_that_end_where_they_begin_last_all_day():
    assert Hours(8 * HOUR_S, 8 * HOUR_S).hold(from_text("2026-12-03T03:00:00Z"))


def test_hours_follow_their_zone_over_the_change_of_the_clocks():
    # Central European Summer Time ended on 2026-10-25 at 01:00 UTC (Directive 2000/84/EC).
    oslo = Hours(8 * HOUR_S, 9 * HOUR_S, "Europe/Oslo")
    assert oslo.hold(from_text("2026-10-24T06:30:00Z"))
    assert not oslo.hold(from_text("2026-10-24T07:30:00Z"))
    assert oslo.hold(from_text("2026-10-26T07:30:00Z"))
    assert not oslo.hold(from_text("2026-10-26T06:30:00Z"))


def test_a_role_is_reached_through_whoever_is_on_duty():
    care = Care(
        roles={
            "controller": (
                Duty(("day desk",), (Hours(6 * HOUR_S, 18 * HOUR_S),)),
                Duty(("night desk",), (Hours(18 * HOUR_S, 6 * HOUR_S),)),
                Duty(("log",)),
            )
        }
    )
    assert care.channels_of("controller", from_text("2026-12-03T12:00:00Z")) == ("day desk", "log")
    assert care.channels_of("controller", from_text("2026-12-03T03:00:00Z")) == (
        "night desk",
        "log",
    )


def test_where_nobody_is_on_duty_everybody_of_the_role_is_told():
    duties = (Duty(("a",), (Hours(0, 60),)), Duty(("b",), (Hours(60, 120),)))
    care = Care(roles={"controller": duties})
    assert care.channels_of("controller", from_text("2026-12-03T12:00:00Z")) == ("a", "b")
    assert care.channels_of("nobody", 0.0) == ()


@pytest.mark.parametrize(
    ("severity", "quiet"),
    [(Severity.ADVISORY, True), (Severity.CAUTION, True), (Severity.WARNING, False)],
)
def test_quiet_hours_never_silence_a_warning(severity, quiet):
    midnight = from_text("2026-12-03T00:00:00Z")
    assert Manner(quiet_hours=(NIGHT,)).is_quiet(severity, midnight) is quiet
