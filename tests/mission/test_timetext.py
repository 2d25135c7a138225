"""Moments and lengths as text: never on the unsafe side of what they stand for."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from contactd.core.instants import from_text
from contactd.mission import timetext
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, NotALength, NotAMoment

EIGHT = from_text("2026-12-03T08:00:00Z")
RESOLUTION_S = 1e-6
WRITE = "Use 2026-12-03T08:00:00Z or +6h."
moments = st.floats(min_value=EIGHT - 1e8, max_value=EIGHT + 1e8)


def back(text: str) -> float:
    return from_text(text.replace(" ", "T"))


@given(moments, st.integers(0, 6))
def test_a_last_moment_is_never_shown_later_and_a_latest_never_earlier(t_s, digits):
    assert back(timetext.moment(t_s, NO_LATER, digits)) <= t_s + RESOLUTION_S
    assert back(timetext.moment(t_s, NO_EARLIER, digits)) >= t_s - RESOLUTION_S
    assert (
        abs(back(timetext.moment(t_s, NEAREST, digits)) - t_s) <= 0.5 * 10**-digits + RESOLUTION_S
    )


@given(moments)
def test_the_text_for_machines_errs_on_the_same_side(t_s):
    early, late = timetext.machine(t_s, NO_LATER), timetext.machine(t_s, NO_EARLIER)
    assert from_text(early) <= t_s + RESOLUTION_S
    assert from_text(late) >= t_s - RESOLUTION_S
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", early)


@pytest.mark.parametrize("nothing", [None, float("inf"), float("nan")])
def test_what_is_no_moment_is_nothing_to_a_machine(nothing):
    assert timetext.machine(nothing, NEAREST) is None


@given(moments, st.floats(0, 1e6))
def test_an_expiry_is_shown_no_narrower_and_a_window_no_wider_than_it_is(a_s, size_s):
    b_s = a_s + size_s

    def ends(text):
        first, last = text.split(" to ")
        return back(first), back(last if " " in last else f"{first.split(' ')[0]} {last}")

    first, last = ends(timetext.outer(a_s, b_s))
    assert first <= a_s + RESOLUTION_S
    assert last >= b_s - RESOLUTION_S
    first, last = ends(timetext.inner(a_s, b_s))
    assert first >= a_s - RESOLUTION_S
    assert last <= b_s + RESOLUTION_S or size_s < 0.002
    assert last >= first


def test_a_moment_within_twelve_hours_needs_no_date():
    assert timetext.moment(EIGHT, NO_LATER, now_s=EIGHT - 11 * 3600) == "08:00:00Z"
    assert timetext.moment(EIGHT, NO_LATER, now_s=EIGHT - 13 * 3600) == "2026-12-03 08:00:00Z"
    assert timetext.outer(EIGHT, EIGHT + 130, now_s=EIGHT) == "08:00:00Z to 08:02:10Z"
    assert timetext.outer(EIGHT, EIGHT + 130) == "2026-12-03 08:00:00Z to 08:02:10Z"
    assert timetext.outer(EIGHT, EIGHT + 86_400) == ("2026-12-03 08:00:00Z to 2026-12-04 08:00:00Z")


def test_the_day_of_year_is_shown_only_where_it_is_asked_for():
    assert timetext.moment(EIGHT, NEAREST, day_of_year=True) == "2026-337 08:00:00Z"


def test_a_window_of_less_than_a_second_is_told_to_the_millisecond():
    assert timetext.inner(EIGHT + 0.25, EIGHT + 0.75) == "2026-12-03 08:00:00.250Z to 08:00:00.750Z"


def test_a_moment_that_misses_a_whole_second_by_the_floats_resolution_is_that_second():
    assert timetext.moment(EIGHT - 1e-7, NO_LATER) == "2026-12-03 08:00:00Z"
    assert timetext.moment(EIGHT - 1e-3, NO_LATER) == "2026-12-03 07:59:59Z"
    assert timetext.moment(EIGHT + 0.7, NO_LATER) == "2026-12-03 08:00:00Z"
    assert timetext.moment(EIGHT + 1e-3, NO_EARLIER) == "2026-12-03 08:00:01Z"


def test_a_countdown_of_a_day_across_a_leap_second_ends_a_second_earlier_by_the_clock():
    # Source: IERS Bulletin C 52: a leap second at the end of 2016-12-31.
    leap = from_text("2016-12-31T23:59:60Z")
    assert timetext.moment(leap, NO_LATER) == "2016-12-31 23:59:60Z"
    assert timetext.moment(leap + 0.9, NO_LATER) == "2016-12-31 23:59:60Z"
    start = from_text("2016-12-31T12:00:00Z")
    assert timetext.moment(start + 86_400, NEAREST) == "2017-01-01 11:59:59Z"


@pytest.mark.parametrize(
    ("seconds", "down", "up"),
    [
        (0, "0 s", "0 s"),
        (59.9, "59 s", "1 min"),
        (251, "4 min 11 s", "4 min 11 s"),
        (251.2, "4 min 11 s", "4 min 12 s"),
        (4800.5, "1 h 20 min", "1 h 21 min"),
        (3599.5, "59 min 59 s", "1 h"),
        (86_400 * 2 + 3 * 3600 + 1, "2 d 3 h", "2 d 4 h"),
        (-45.5, "-46 s", "-45 s"),
    ],
)
def test_a_length_takes_two_units_and_errs_on_the_safe_side(seconds, down, up):
    assert timetext.length(seconds, NO_LATER) == down
    assert timetext.length(seconds, NO_EARLIER) == up


@given(st.floats(-1e7, 1e7))
def test_a_length_read_back_is_on_the_safe_side(seconds):
    def value(text):
        sign = -1 if text.startswith("-") else 1
        return sign * timetext.read_length(text.lstrip("-"))[0]

    assert value(timetext.length(seconds, NO_LATER)) <= seconds + RESOLUTION_S
    assert value(timetext.length(seconds, NO_EARLIER)) >= seconds - RESOLUTION_S


def test_how_long_from_now_never_promises_more_time_than_is_left():
    assert timetext.from_now(EIGHT + 492.9, EIGHT, NO_LATER) == "in 8 min 12 s"
    assert timetext.from_now(EIGHT - 492.1, EIGHT, NO_LATER) == "8 min 13 s ago"
    assert timetext.from_now(EIGHT + 0.4, EIGHT, NO_LATER) == "now"


def test_an_error_is_never_told_smaller_than_it_is():
    assert timetext.error(11.2) == " ± 12 s"
    assert timetext.error(0.2) == ""


@pytest.mark.parametrize(
    ("text", "seconds", "digit_s"),
    [
        ("6h 30min", 23_400, 60),
        ("4m 11s", 251, 1),
        ("2h 41min", 9660, 60),
        ("1.5h", 5400, 360),
        ("0.25 s", 0.25, 0.01),
        ("PT6H30M", 23_400, 60),
        ("PT1.5S", 1.5, 0.1),
        ("1d", 86_400, 86_400),
    ],
)
def test_a_length_is_read_with_the_worth_of_its_last_digit(text, seconds, digit_s):
    assert timetext.read_length(text) == pytest.approx((seconds, digit_s))


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("90", "add a unit to 90"),
        ("P1M", "no fixed length"),
        ("1:30", "colon"),
        ("5 fortnights", "no unit"),
        ("1h 2h", "each unit once"),
        ("9" * 70 + "s", "at most 64"),
    ],
)
def test_what_is_no_length_says_why(text, hint):
    with pytest.raises(NotALength) as refusal:
        timetext.read_length(text)
    assert hint in refusal.value.hint


@given(st.integers(0, 10**9))
def test_a_length_written_out_is_read_back(seconds):
    assert timetext.read_length(timetext.written(seconds))[0] == seconds


@given(st.text(max_size=80))
def test_any_text_is_a_length_or_refused(text):
    try:
        value, digit_s = timetext.read_length(text)
    except NotALength:
        return
    assert value >= 0
    assert digit_s > 0


def test_a_moment_is_read_in_all_its_forms():
    assert timetext.read_moment("2026-12-03T08:00:00Z") == EIGHT
    assert timetext.read_moment("2026-337T08:00:00Z") == EIGHT
    assert timetext.read_moment("now", EIGHT) == EIGHT
    assert timetext.read_moment("+6h", EIGHT) == EIGHT + 21_600
    assert timetext.read_moment("-90s", EIGHT) == EIGHT - 90


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("tomorrow", "'tomorrow' is not a time. Use 2026-12-03T08:00:00Z or +6h."),
        ("2026-12-03T08:00", "'2026-12-03T08:00' has no time zone. For UTC, add Z at its end."),
        ("+6d 2", "'+6d 2' is not a time (add a unit to 2: d, h, min, s or ms). " + WRITE),
        ("+99999d", "'+99999d' is more than 50 years from now. Use 2026-12-03T08:00:00Z or +6h."),
    ],
)
def test_what_is_no_moment_says_what_to_write(text, message):
    with pytest.raises(NotAMoment) as refusal:
        timetext.read_moment(text, EIGHT)
    assert str(refusal.value) == message


def test_relative_moments_are_refused_where_there_is_no_present():
    with pytest.raises(NotAMoment):
        timetext.read_moment("+6h")
