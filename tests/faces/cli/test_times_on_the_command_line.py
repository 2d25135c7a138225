"""Times as people write them on a command line."""

from __future__ import annotations

from types import SimpleNamespace

import click
import pytest

from contactd.core.instants import from_text
from contactd.faces.cli.session import Session
from contactd.faces.cli.times import Duration, Instant
from contactd.mission.timetext import NEAREST, moment

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
    assert moment(instant, NEAREST) == "2026-11-25 10:03:04Z"
    assert moment(instant, NEAREST, day_of_year=True) == "2026-329 10:03:04Z"
    assert (
        read(moment(instant, NEAREST))
        == read(moment(instant, NEAREST, day_of_year=True))
        == instant
    )
