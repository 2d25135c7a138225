"""Times as people write them on a command line, and as a table shows them."""

from __future__ import annotations

from types import SimpleNamespace

import click
import pytest

from contactd.core.instants import from_text
from contactd.faces.cli.session import Session
from contactd.faces.cli.times import (
    Duration,
    Instant,
    from_now,
    later_on,
    length,
    moment,
    moment_after,
    moment_before,
)

NOW = from_text("2026-12-03T08:00:00Z")


def nothing(place: str, options: object) -> None:
    raise AssertionError("reading a time runs nothing")


def read(text: str) -> float:
    session = Session(SimpleNamespace(now=lambda: NOW), nothing, nothing)
    return Instant().convert(text, None, click.Context(click.Command("any"), obj=session))


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("now", "2026-12-03T08:00:00Z"),
        ("NOW", "2026-12-03T08:00:00Z"),
        ("+6h", "2026-12-03T14:00:00Z"),
        ("-1d", "2026-12-02T08:00:00Z"),
        ("+1h 30min", "2026-12-03T09:30:00Z"),
        ("+PT90M", "2026-12-03T09:30:00Z"),
        ("2026-12-03T10:00:00+02:00", "2026-12-03T08:00:00Z"),
        ("2026-12-03 08:00:00Z", "2026-12-03T08:00:00Z"),
        # CCSDS 301.0-B-4 section 3.5.1.2, ASCII time code B: day 337 of 2026 is 3 December.
        ("2026-337T08:00:00Z", "2026-12-03T08:00:00Z"),
        ("2026-337 08:00:00.250Z", "2026-12-03T08:00:00.250Z"),
    ],
)
def test_a_time_may_be_absolute_or_a_distance_from_now(written: str, meant: str) -> None:
    assert read(written) == pytest.approx(from_text(meant), abs=1e-6)


@pytest.mark.parametrize(
    ("written", "hint"),
    [
        ("2026-12-03T08:00:00", "For UTC, add Z"),
        ("2026-12-03", "Use 2026-12-03T08:00:00Z"),
        ("tomorrow", "Use 2026-12-03T08:00:00Z"),
        ("+6", "add a unit to 6"),
        ("+", "Use 2026-12-03T08:00:00Z"),
        ("2026-366T08:00:00Z", "2026 has no day 366"),
        ("2026-02-30T08:00:00Z", "no such day"),
        ("2026-12-03T24:00:00Z", "hours run to 23"),
        ("+999999999d", "more than 50 years from now"),
        ("", "Use 2026-12-03T08:00:00Z"),
    ],
)
def test_a_time_that_cannot_be_read_is_refused_with_what_to_write(written: str, hint: str) -> None:
    with pytest.raises(click.BadParameter) as refusal:
        read(written)
    assert hint in refusal.value.message
    assert repr(written) in refusal.value.message


def test_a_duration_needs_its_unit() -> None:
    assert Duration().convert("1h 30min", None, None) == 5400
    with pytest.raises(click.BadParameter, match="add a unit to 90"):
        Duration().convert("90", None, None)


def test_a_shown_time_can_be_given_back_as_it_is() -> None:
    instant = from_text("2026-11-25T10:03:04Z")
    assert moment(instant) == "2026-11-25 10:03:04Z"
    assert moment(instant, day_of_year=True) == "2026-329 10:03:04Z"
    assert read(moment(instant)) == read(moment(instant, day_of_year=True)) == instant


def test_a_deadline_is_never_shown_later_and_a_beginning_never_earlier_than_it_is() -> None:
    instant = from_text("2026-11-25T10:03:04.600Z")
    assert moment_before(instant) == "2026-11-25 10:03:04Z"
    assert moment_after(instant) == "2026-11-25 10:03:05Z"
    exact = from_text("2026-11-25T10:03:04Z")
    assert moment_before(exact) == moment_after(exact) == "2026-11-25 10:03:04Z"


def test_a_leap_second_is_shown_as_such() -> None:
    # IERS Bulletin C 52: a leap second at the end of 2016.
    assert moment(from_text("2016-12-31T23:59:60Z")) == "2016-12-31 23:59:60Z"


@pytest.mark.parametrize(
    ("text", "reference", "short"),
    [
        ("2026-11-25 10:09:22Z", "2026-11-25 10:03:04Z", "10:09:22Z"),
        ("2026-11-26 00:09:22Z", "2026-11-25 23:57:04Z", "00:09:22Z +1d"),
        ("2027-01-02 00:00:00Z", "2026-12-31 23:00:00Z", "00:00:00Z +2d"),
        ("2027-002 00:00:00Z", "2026-365 23:00:00Z", "00:00:00Z +2d"),
        ("2024-03-01 00:00:00Z", "2024-02-28 23:00:00Z", "00:00:00Z +2d"),
        ("2017-01-01 00:00:10Z", "2016-12-31 23:59:60Z", "00:00:10Z +1d"),
    ],
)
def test_a_later_time_is_shortened_by_its_day_but_never_loses_it(
    text: str, reference: str, short: str
) -> None:
    assert later_on(text, reference) == short


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0s"),
        (0.9, "0s"),
        (59.9997, "1m 00s"),
        (378.4, "6m 18s"),
        (3600, "1h 00m"),
        (3725, "1h 02m"),
        (86_400 * 2 + 3 * 3600 + 3599, "2d 03h"),
        (-0.4, "-1s"),
        (-61, "-1m 01s"),
        (-3601, "-1h 01m"),
        (-3600, "-1h 00m"),
        (-3599.8, "-1h 00m"),
        (-86_401, "-1d 01h"),
    ],
)
def test_a_length_is_never_shown_larger_than_it_is(seconds: float, text: str) -> None:
    assert length(seconds) == text


def test_a_distance_from_now_says_which_way() -> None:
    assert from_now(NOW + 3600, NOW) == "in 1h 00m"
    assert from_now(NOW - 723, NOW) == "12m 03s ago"
    assert from_now(NOW + 0.4, NOW) == "now"
