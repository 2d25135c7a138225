"""What alerts say: short lines, times on the safe side, the step to stop by its name."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from contactd.core.instants import from_text
from contactd.mission.texts import contacts, keep_clear, steps, stops
from contactd.mission.texts.notice import NOTICE
from contactd.mission.texts.text import Stop

NOON = from_text("2026-12-03T12:00:00Z")
TARGET, STEP, STATION = "Lantern 3", "antenna release", "Norrsund"
STOP = Stop(NOON + 600.9, STATION, "boom out")
moments = st.floats(min_value=NOON, max_value=NOON + 40_000.0)


def instant(text: str) -> float:
    return from_text(text.replace(" ", "T"))


@given(moments)
def test_a_stop_by_is_never_said_later_than_it_is(by_s):
    said = stops.stop_by(TARGET, STEP, Stop(by_s, STATION, STEP), NOON)
    shown = instant(said.what.split("stop by ")[1].split(" through")[0])
    assert shown <= by_s < shown + 1.0 + 1e-6


@given(moments)
def test_a_keep_clear_is_never_said_to_end_earlier_than_it_does(end_s):
    said = keep_clear.keep_clear_ends(TARGET, STEP, end_s)
    shown = instant(said.what.split("ended ")[1].split(", step")[0])
    assert shown >= end_s - 1e-6
    assert shown - 1.0 < end_s + 1e-6


def test_the_step_that_a_command_stops_is_named_where_it_is_another_one():
    uncovered = steps.Expiring(TARGET, STEP, NOON + 3000, NOON + 3060, stop=STOP)
    assert (
        "stop 'boom out' through Norrsund by 12:10:00Z" in steps.step_uncovered(uncovered, NOON).do
    )
    assert "send \"stop 'boom out'\"" in stops.stop_by(TARGET, STEP, STOP, NOON).do
    people = keep_clear.people_in_keep_clear(TARGET, NOON + 900, NOON + 1800, STOP, NOON)
    assert "stop 'boom out'" in people.do


@pytest.mark.parametrize(
    "said",
    [
        stops.stop_by(TARGET, STEP, STOP, NOON, NOTICE),
        stops.no_stop(TARGET, STEP, NOON + 90, (NOON, NOON + 90), NOON, NOTICE),
        keep_clear.keep_clear_begins(TARGET, STEP, NOON + 90, NOON + 900, NOON, NOTICE),
        keep_clear.keep_clear_ends(TARGET, STEP, NOON, NOTICE),
    ],
)
def test_the_hazard_notice_stands_apart_from_what_is_to_be_done(said):
    assert said.notice == NOTICE
    assert NOTICE not in said.what + said.do


@pytest.mark.parametrize("now_s", [NOON - 600.0, NOON + 60.0])
def test_a_station_that_is_out_for_a_whole_contact_is_not_advised(now_s):
    out = contacts.Out(-math.inf, math.inf, "wind")
    said = contacts.contact_coming(
        TARGET, STATION, NOON, NOON + 500, error_s=3.0, max_elevation_deg=43.0,
        azimuth_deg=211.0, now_s=now_s, out=out,
    )  # fmt: skip
    assert f"{STATION} is out" in said.what
    assert STATION not in said.do
    assert "another station" in said.do
