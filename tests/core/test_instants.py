"""Time scales against published values."""

from datetime import UTC, datetime, timedelta, timezone

import erfa
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skyfield.api import load

from contactd.core import instants

MOMENTS = st.datetimes(
    min_value=datetime(1972, 7, 2), max_value=datetime(2060, 1, 1), timezones=st.just(UTC)
)


@pytest.mark.parametrize(
    ("moment", "offset_s"),
    # IERS Bulletin C, as in ERFA's leap-second table.
    [
        ("1972-01-01T00:00:00Z", 10),
        ("1998-12-31T23:59:59Z", 31),
        ("1999-01-01T00:00:00Z", 32),
        ("2006-01-01T00:00:00Z", 33),
        ("2009-01-01T00:00:00Z", 34),
        ("2012-07-01T00:00:00Z", 35),
        ("2015-07-01T00:00:00Z", 36),
        ("2016-12-31T23:59:60Z", 36),
        ("2017-01-01T00:00:00Z", 37),
        ("2026-11-25T00:00:00Z", 37),
    ],
)
def test_leap_seconds_are_those_of_bulletin_c(moment: str, offset_s: int) -> None:
    assert instants.tai_minus_utc_s(instants.from_text(moment)) == offset_s


def test_every_entry_of_erfas_leap_second_table_is_known() -> None:
    for row in erfa.leap_seconds.get():
        if row["year"] < 1972:
            continue
        moment = datetime(int(row["year"]), int(row["month"]), 1, tzinfo=UTC)
        at = instants.tai_minus_utc_s(instants.from_utc(moment))
        assert at == row["tai_utc"], moment


def test_a_day_with_a_leap_second_lasts_86401_seconds() -> None:
    before = instants.from_text("2016-12-31T00:00:00Z")
    after = instants.from_text("2017-01-01T00:00:00Z")
    assert after - before == 86_401.0


def test_the_leap_second_itself_can_be_read_and_written() -> None:
    text = "2016-12-31T23:59:60.250Z"
    assert instants.to_text(instants.from_text(text)) == text


def test_a_second_of_sixty_where_there_was_none_is_refused() -> None:
    with pytest.raises(ValueError, match="no leap second"):
        instants.from_text("2015-12-31T23:59:60Z")


def test_julian_date_of_vallados_example_3_4() -> None:
    # Vallado, Fundamentals of Astrodynamics, example 3-4 (value from memory, confirmed with sgp4).
    at = np.array([instants.from_text("1996-10-26T14:20:00Z")])
    whole, fraction = instants.utc_julian(at)
    assert whole[0] + fraction[0] == pytest.approx(2450383.09722222, abs=1e-8)


def test_tt_of_the_teme_example() -> None:
    # Vallado's table for 2004-04-06 07:51:28.386009 UTC, as quoted in public test suites.
    at = np.array([instants.from_text("2004-04-06T07:51:28.386009Z")])
    whole, fraction = instants.tt_julian(at)
    assert whole[0] + fraction[0] == pytest.approx(2453101.828154745, abs=1e-9)


def test_ut1_follows_the_published_offset_of_the_teme_example() -> None:
    # AIAA 2006-6753 appendix C gives UT1 − UTC = −0.439961 s, the daily value at 0 h.
    at = np.array([instants.from_text("2004-04-06T00:00:00Z")])
    utc, ut1 = instants.utc_julian(at), instants.ut1_julian(at)
    dut1_s = ((ut1[0] - utc[0]) + (ut1[1] - utc[1]))[0] * instants.DAY_S
    assert dut1_s == pytest.approx(-0.439961, abs=1e-4)


def test_ut1_is_skyfields_own_between_the_daily_values() -> None:
    at = np.linspace(instants.from_text("2004-04-06T00:00:00Z"), 8.5e8, 997)
    whole, fraction = instants.ut1_julian(at)
    scale = load.timescale(builtin=True)
    tt_whole, tt_fraction = instants.tt_julian(at)
    theirs = scale.tt_jd(tt_whole, tt_fraction)
    difference_d = (whole - theirs.whole) + (fraction - theirs.ut1_fraction)
    assert np.abs(difference_d * instants.DAY_S).max() < 1e-6


def test_the_day_of_year_code_is_that_of_ccsds_301() -> None:
    # CCSDS 301.0-B-4 section 3.5, ASCII code B (clause number from memory).
    at = instants.from_text("2024-03-09T00:00:00Z")
    assert instants.to_text(at, 0, day_of_year=True) == "2024-069T00:00:00Z"
    assert instants.from_text("2024-069T00:00:00Z") == at


def test_tai_seconds_since_1958_are_those_of_the_ccsds_unsegmented_code() -> None:
    # CCSDS 301.0-B-4 CUC, epoch 1958-01-01 TAI: computed values 0x7C7E0525 and 0x6EFAA525.
    cuc_epoch = -(instants.EPOCH_JULIAN_DAY - 2436204.5) * instants.DAY_S
    for text, coarse in [
        ("2024-03-09T00:00:00Z", 0x7C7E0525),
        ("2017-01-01T00:00:00Z", 0x6EFAA525),
    ]:
        assert instants.from_text(text) - cuc_epoch == coarse


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("2026-11-25T09:20:00", "no time zone"),
        ("2026-11-25", "not a UTC time"),
        ("2026-13-01T00:00:00Z", "no such day"),
        ("2026-02-29T00:00:00Z", "no such day"),
        ("2026-366T00:00:00Z", "no day 366"),
        ("2026-000T00:00:00Z", "no day 000"),
        ("2026-11-25T24:00:00Z", "hours run to 23"),
        ("tomorrow", "not a UTC time"),
    ],
)
def test_what_is_not_an_instant_is_refused_with_a_reason(text: str, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        instants.from_text(text)


def test_day_366_exists_in_a_leap_year() -> None:
    assert instants.to_text(instants.from_text("2024-366T12:00:00Z"), 0) == "2024-12-31T12:00:00Z"


def test_a_naive_datetime_is_refused() -> None:
    with pytest.raises(ValueError, match="no time zone"):
        instants.from_utc(datetime(2026, 1, 1))


@given(MOMENTS)
def test_utc_survives_the_round_trip_to_the_microsecond(moment: datetime) -> None:
    back = instants.to_utc(instants.from_utc(moment))
    assert abs(back - moment) <= timedelta(microseconds=1)


@given(MOMENTS, st.integers(-14 * 60, 14 * 60))
def test_the_zone_does_not_matter(moment: datetime, minutes: int) -> None:
    elsewhere = moment.astimezone(timezone(timedelta(minutes=minutes)))
    assert instants.from_utc(elsewhere) == instants.from_utc(moment)


@given(MOMENTS, st.booleans())
def test_text_survives_the_round_trip_to_the_millisecond(moment: datetime, doy: bool) -> None:
    at = instants.from_utc(moment)
    assert abs(instants.from_text(instants.to_text(at, 3, doy)) - at) <= 0.00051


@given(MOMENTS)
def test_posix_time_is_that_of_the_standard_library(moment: datetime) -> None:
    at = instants.from_utc(moment)
    assert instants.to_unix(at) == pytest.approx(moment.timestamp(), abs=1e-5)
    assert instants.from_unix(moment.timestamp()) == pytest.approx(at, abs=1e-5)
