"""Times and durations in words."""

import pytest

from contactd.alerts import words
from contactd.core.instants import from_text

EIGHT = from_text("2026-12-03T08:00:00Z")


def test_a_moment_has_its_date_its_time_in_utc_and_its_day_of_year():
    assert words.moment(EIGHT) == "2026-12-03 08:00:00Z (337)"


def test_a_moment_is_rounded_down_so_that_a_deadline_is_never_told_too_late():
    assert words.moment(EIGHT - 0.001) == "2026-12-03 07:59:59Z (337)"


def test_a_span_is_widened_to_whole_seconds():
    assert words.span(EIGHT + 0.9, EIGHT + 10.1) == "2026-12-03 08:00:00Z to 08:00:11Z (337)"


def test_a_span_over_midnight_names_both_days():
    assert words.span(EIGHT, EIGHT + 86_400) == (
        "2026-12-03 08:00:00Z (337) to 2026-12-04 08:00:00Z (338)"
    )


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (59.9, "59 s"),
        (60, "1 min"),
        (492, "8 min 12 s"),
        (3600, "1 h"),
        (4800, "1 h 20 min"),
        (86_400 * 2 + 3 * 3600, "2 d 3 h"),
        (-492, "8 min 12 s"),
    ],
)
def test_a_duration_takes_two_units_at_the_most(seconds, text):
    assert words.duration(seconds) == text


def test_how_long_from_now_says_which_way():
    assert words.from_now(EIGHT + 492, EIGHT) == "in 8 min 12 s"
    assert words.from_now(EIGHT - 492, EIGHT) == "8 min 12 s ago"
    assert words.from_now(EIGHT + 0.4, EIGHT) == "now"


def test_a_leap_second_has_its_own_name():
    # Source: IERS Bulletin C 52: a leap second at the end of 2016.
    leap = from_text("2016-12-31T23:59:60Z")
    assert words.moment(leap) == "2016-12-31 23:59:60Z (366)"
