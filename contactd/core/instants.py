"""Time: UTC at the edges, continuous SI seconds inside, and the only place that converts.

An *instant* is a ``float``: TAI seconds since 2000-01-01T12:00:00 TAI. It counts leap seconds, so
that the difference of two instants is the time that really went by, and a countdown of 86 400 s
is 86 400 s. Float64 resolves 0.12 µs in this century.

Leap seconds come from the table that skyfield bundles (IERS Bulletin C), UT1 from the newest one of
IERS finals that a package carries (:mod:`ut1_tables`). From the last measurement on UT1 is
predicted and then extrapolated, and may be off by as much as the Earth's turning may change
(:func:`ut1_error_s`).

Sources: IERS Conventions 2010 (TN 36) chapter 10 for the scales; CCSDS 301.0-B-4 section 3.5 for
the calendar (ASCII A) and day-of-year (ASCII B) codes; RFC 3339 for UTC text.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.ut1_tables import installed_finals, ut1_table

DAY_S = 86_400.0
TT_MINUS_TAI_S = 32.184

EPOCH_JULIAN_DAY = 2_451_545.0
UT1_MEASURED_TO_S: Final = 1e-4
UT1_STRAYS_S_PER_DAY: Final = 1e-3
_EPOCH_LABEL = datetime(2000, 1, 1, 12, tzinfo=UTC)
_UNIX_EPOCH_LABEL = datetime(1970, 1, 1, tzinfo=UTC)

FOREVER: Final = 6_311_390_437.0
"""2200-01-01T00:00:00Z (instant, s): the end of what holds until further notice."""

FloatArray = NDArray[np.float64]

LONGEST_TEXT: Final = 256
_TEXT = re.compile(
    r"(?P<year>\d{4})-(?:(?P<month>\d\d)-(?P<day>\d\d)|(?P<day_of_year>\d{3}))"
    r"[Tt ](?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)(?P<fraction>\.\d{1,12})?"
    r"(?P<zone>[Zz]|[+-]\d\d:\d\d)"
)


class _Tables:
    """Leap seconds as skyfield bundles them, and TT − UT1 from the newest table at hand."""

    def __init__(self) -> None:
        # As skyfield.api's own loader does, which takes four times as long to import.
        from skyfield.functions import load_bundled_npy
        from skyfield.timelib import Timescale

        bundled: Any = load_bundled_npy("iers.npz")
        self.ut1 = ut1_table(bundled, *installed_finals())
        recent = self.ut1.days, self.ut1.delta_t_s
        scale: Any = Timescale(recent, bundled["leap_dates"], bundled["leap_offsets"])
        self.tt_minus_ut1: Any = scale.delta_t_function
        days = np.asarray(scale.leap_dates, dtype=np.float64)
        offsets = np.asarray(scale.leap_offsets, dtype=np.float64)
        known = np.isfinite(days)
        days, offsets = days[known], offsets[known]
        before = np.concatenate([[10.0], offsets[:-1]]) if offsets[0] > 10 else offsets
        self.offset_s = np.concatenate([[before[0]], offsets])
        # Label seconds (UTC read as if every day had 86 400 s) at which each offset takes force,
        # and the instants of the same moments.
        self.label_s = (days - EPOCH_JULIAN_DAY) * DAY_S
        self.instant = self.label_s + offsets


@cache
def _tables() -> _Tables:
    return _Tables()


def tai_minus_utc_s(instants: FloatArray | float) -> FloatArray:
    """Leap-second offset TAI − UTC in seconds at each instant (same shape as given)."""
    tables = _tables()
    index = np.searchsorted(tables.instant, np.asarray(instants, dtype=np.float64), side="right")
    return np.asarray(tables.offset_s[index], dtype=np.float64)


def from_utc(moment: datetime) -> float:
    """Instant of an aware datetime.

    Raises:
        ValueError: if the datetime has no zone.
    """
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone: write UTC with a trailing Z")
    label = (moment - _EPOCH_LABEL) / timedelta(microseconds=1) * 1e-6
    tables = _tables()
    return label + float(tables.offset_s[np.searchsorted(tables.label_s, label, side="right")])


def to_utc(instant: float) -> datetime:
    """Aware UTC datetime of an instant, to the microsecond.

    A datetime cannot say 23:59:60; inside a leap second the last microsecond before it is given
    (use :func:`to_text`, which can say it).
    """
    label, leap = _label(instant)
    if leap is not None:
        return _EPOCH_LABEL + timedelta(seconds=label) - timedelta(microseconds=1)
    return _EPOCH_LABEL + timedelta(seconds=label)


def from_text(text: str) -> float:
    """Instant of RFC 3339 text, or of the CCSDS day-of-year form ``2026-329T12:00:00Z``.

    Seconds of 60 are read as the leap second where there was one.

    Raises:
        ValueError: for anything else; the message says what is wrong.
    """
    if len(text) > LONGEST_TEXT:
        raise ValueError(f"a text of {len(text):,} characters is not a UTC time")
    match = _TEXT.fullmatch(text.strip())
    if match is None:
        if re.fullmatch(r"[\d\-Tt: .]+", text.strip()) and "T" in text.upper():
            raise ValueError(f"{text!r} has no time zone: write UTC with a trailing Z")
        raise ValueError(f"{text!r} is not a UTC time such as 2026-12-03T08:00:00Z")
    part = match.groupdict()
    year, second = int(part["year"]), int(part["second"])
    if part["day_of_year"] is None:
        try:
            start = datetime(year, int(part["month"]), int(part["day"]), tzinfo=UTC)
        except ValueError:
            raise ValueError(f"{text!r}: the calendar has no such day") from None
    else:
        start = datetime(year, 1, 1, tzinfo=UTC) + timedelta(days=int(part["day_of_year"]) - 1)
        if start.year != year or part["day_of_year"] == "000":
            raise ValueError(f"{text!r}: {year} has no day {part['day_of_year']}")
    hour, minute = int(part["hour"]), int(part["minute"])
    if hour > 23 or minute > 59 or second > 60:
        raise ValueError(f"{text!r}: hours run to 23, minutes to 59, seconds to 59")
    zone = part["zone"].upper()
    offset = timedelta()
    if zone != "Z":
        offset = timedelta(hours=int(zone[1:3]), minutes=int(zone[4:6]))
        offset = -offset if zone[0] == "-" else offset
    moment = start + timedelta(hours=hour, minutes=minute, seconds=min(second, 59)) - offset
    instant = from_utc(moment) + float(part["fraction"] or 0)
    if second < 60:
        return instant
    instant += 1.0
    if _label(instant)[1] is None:
        raise ValueError(f"{text!r}: there was no leap second then; seconds run to 59")
    return instant


def to_text(instant: float, decimals: int = 3, day_of_year: bool = False) -> str:
    """RFC 3339 UTC text with Z, rounded to ``decimals`` (0 to 6); 23:59:60 inside a leap second.

    With ``day_of_year`` the CCSDS 301.0-B ASCII code B is given: ``2026-329T12:00:00Z``.
    """
    scale = 10**decimals
    rounded = round(instant * scale) / scale
    label, leap = _label(rounded)
    whole = int(np.floor(label + 1e-9))
    fraction = min(max(label - whole, 0.0), 1.0)
    moment = _EPOCH_LABEL + timedelta(seconds=whole)
    seconds = moment.second
    if leap is not None:
        moment -= timedelta(seconds=1)
        seconds, fraction = 60, leap
    digits = f"{round(fraction * scale):0{decimals}d}" if decimals else ""
    if decimals and len(digits) > decimals:
        digits = "9" * decimals
    date = moment.strftime("%Y-%jT%H:%M:") if day_of_year else moment.strftime("%Y-%m-%dT%H:%M:")
    return f"{date}{seconds:02d}{'.' + digits if decimals else ''}Z"


def from_unix(seconds: float) -> float:
    """Instant of POSIX time (UTC labels since 1970 without leap seconds)."""
    label = seconds - (_EPOCH_LABEL - _UNIX_EPOCH_LABEL).total_seconds()
    tables = _tables()
    return label + float(tables.offset_s[np.searchsorted(tables.label_s, label, side="right")])


def to_unix(instant: float) -> float:
    """POSIX time of an instant; a leap second repeats the second after it."""
    return _label(instant)[0] + (_EPOCH_LABEL - _UNIX_EPOCH_LABEL).total_seconds()


def utc_julian(instants: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Julian dates in UTC (86 400 s days), split into whole-and-half days and fraction."""
    seconds = np.asarray(instants, dtype=np.float64) - tai_minus_utc_s(instants)
    return _split(seconds)


def tt_julian(instants: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Julian dates in Terrestrial Time, split into whole-and-half days and fraction."""
    return _split(np.asarray(instants, dtype=np.float64) + TT_MINUS_TAI_S)


def ut1_julian(instants: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Julian dates in UT1, split into whole-and-half days and fraction, from skyfield's table."""
    seconds = np.asarray(instants, dtype=np.float64) + TT_MINUS_TAI_S
    tt = EPOCH_JULIAN_DAY + seconds / DAY_S
    return _split(seconds - np.asarray(_tables().tt_minus_ut1(tt), dtype=np.float64))


def ut1_source() -> str:
    """Which package's table UT1 comes from, with its version where that is a package of tables."""
    return _tables().ut1.source


def ut1_measured_until() -> float:
    """Instant (s) up to which UT1 was measured; from then on it is predicted or extrapolated."""
    return (_tables().ut1.measured_until - EPOCH_JULIAN_DAY) * DAY_S - TT_MINUS_TAI_S


def ut1_error_s(instants: FloatArray | float) -> FloatArray:
    """Bound of UT1's error (s) at instants (s), same shape.

    A tenth of a millisecond where it was measured, and a millisecond more for each day since: the
    day's length has strayed by less from what was predicted for it.

    Source: our choice, to enclose: IERS EOP C04 since 1962 (the day is at most 4 ms longer than
    86 400 s, and its yearly mean changes by less than 1 ms a year; from memory); what was predicted
    early in 2026 was off by 0.16 s after 295 days (IERS finals2000A of November 2026).
    """
    since_days = (np.asarray(instants, dtype=np.float64) - ut1_measured_until()) / DAY_S
    return np.asarray(UT1_MEASURED_TO_S + UT1_STRAYS_S_PER_DAY * np.maximum(since_days, 0.0))


def ut1_table_end() -> float:
    """Instant at which the measured-or-predicted UT1 table ends (a spline follows)."""
    return (float(_tables().ut1.days[-1]) - EPOCH_JULIAN_DAY) * DAY_S - TT_MINUS_TAI_S


def _split(seconds: FloatArray) -> tuple[FloatArray, FloatArray]:
    days = np.floor(seconds / DAY_S)
    return EPOCH_JULIAN_DAY + days, (seconds - days * DAY_S) / DAY_S


def _label(instant: float) -> tuple[float, float | None]:
    """UTC label seconds; and, inside a leap second, how far into it (else None)."""
    tables = _tables()
    index = int(np.searchsorted(tables.instant, instant, side="right"))
    label = instant - float(tables.offset_s[index])
    if index < len(tables.instant):
        into = instant - (float(tables.instant[index]) - 1.0)
        if into >= 0 and tables.offset_s[index + 1] > tables.offset_s[index]:
            return float(tables.label_s[index]), into
    return label, None
