"""Calendar files become spans, and any text is read or refused.

Source: RFC 5545 (2009), section 3.8.5.3, whose examples are taken here in UTC; expectations from
memory, confirmed with dateutil (see section 7 of the reference check values).
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.config import outages
from contactd.config.outages import spans_of_calendar
from contactd.core import instants
from contactd.core.errors import InputError
from contactd.core.intervals import IntervalSet

SPAN = (instants.from_text("1997-01-01T00:00:00Z"), instants.from_text("2008-01-01T00:00:00Z"))


def calendar(*events: str, head: str = "") -> bytes:
    """A calendar of events, each given by its properties."""
    body = "".join(
        f"BEGIN:VEVENT\r\nUID:{number}\r\nDTSTAMP:19970101T000000Z\r\n{event.strip()}\r\n"
        "END:VEVENT\r\n".replace("\n\n", "\n")
        for number, event in enumerate(events)
    )
    text = f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//X//Y//EN\r\n{head}{body}END:VCALENDAR\r\n"
    return text.replace("\r\n", "\n").replace("\n", "\r\n").encode()


def starts(found: IntervalSet) -> list[str]:
    return [instants.to_text(start, 0) for start, _ in found]


def one_hour(first: str, rule: str) -> IntervalSet:
    return spans_of_calendar(calendar(f"DTSTART:{first}\nDURATION:PT1H\nRRULE:{rule}"), SPAN)


def test_a_single_event_is_one_span() -> None:
    found = spans_of_calendar(calendar("DTSTART:20030102T030000Z\nDTEND:20030102T043000Z"), SPAN)
    assert starts(found) == ["2003-01-02T03:00:00Z"]
    assert found.total_s == 5400.0


def test_daily_for_ten_occurrences() -> None:
    found = one_hour("19970902T090000Z", "FREQ=DAILY;COUNT=10")
    assert starts(found) == [f"1997-09-{day:02d}T09:00:00Z" for day in range(2, 12)]


def test_weekly_for_ten_occurrences() -> None:
    found = starts(one_hour("19970902T090000Z", "FREQ=WEEKLY;COUNT=10"))
    assert (found[0], found[-1], len(found)) == ("1997-09-02T09:00:00Z", "1997-11-04T09:00:00Z", 10)


def test_every_three_hours_until_the_afternoon() -> None:
    rule = "FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T170000Z"
    assert [text[11:13] for text in starts(one_hour("19970902T090000Z", rule))] == [
        "09",
        "12",
        "15",
    ]


def test_monthly_on_the_first_friday() -> None:
    found = starts(one_hour("19970905T090000Z", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR"))
    assert [text[:10] for text in found] == [
        "1997-09-05",
        "1997-10-03",
        "1997-11-07",
        "1997-12-05",
        "1998-01-02",
        "1998-02-06",
        "1998-03-06",
        "1998-04-03",
        "1998-05-01",
        "1998-06-05",
    ]


def test_monthly_on_days_that_some_months_lack() -> None:
    found = starts(one_hour("20070115T090000Z", "FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5"))
    expected = ["2007-01-15", "2007-01-30", "2007-02-15", "2007-03-15", "2007-03-30"]
    assert [text[:10] for text in found] == expected


def test_exceptions_additions_and_cancellations_count() -> None:
    event = """DTSTART:20030106T080000Z
DURATION:PT1H
RRULE:FREQ=WEEKLY;COUNT=4
EXDATE:20030113T080000Z
RDATE:20030114T080000Z"""
    cancelled = "DTSTART:20030201T080000Z\nDURATION:PT1H\nSTATUS:CANCELLED"
    found = spans_of_calendar(calendar(event, cancelled), SPAN)
    assert [text[:10] for text in starts(found)] == [
        "2003-01-06",
        "2003-01-14",
        "2003-01-20",
        "2003-01-27",
    ]


def test_one_occurrence_of_a_rule_can_be_moved() -> None:
    event = "DTSTART:20030106T080000Z\nDURATION:PT1H\nRRULE:FREQ=WEEKLY;COUNT=3"
    moved = "DTSTART:20030114T100000Z\nDURATION:PT2H\nRECURRENCE-ID:20030113T080000Z"
    text = calendar(event, moved).replace(b"UID:1", b"UID:0")
    found = spans_of_calendar(text, SPAN)
    assert starts(found) == ["2003-01-06T08:00:00Z", "2003-01-14T10:00:00Z", "2003-01-20T08:00:00Z"]
    assert found.total_s == 4 * 3600


def test_a_named_time_zone_is_followed_through_its_summer_time() -> None:
    event = """DTSTART;TZID=Europe/Lisbon:20030328T090000
DURATION:PT1H
RRULE:FREQ=DAILY;COUNT=4"""
    hours = [text[11:13] for text in starts(spans_of_calendar(calendar(event), SPAN))]
    # Summer time began on 30 March 2003 at 01:00 UTC (IANA time zone database).
    assert hours == ["09", "09", "08", "08"]


def test_a_rule_without_end_is_written_out_within_the_span_only() -> None:
    start = instants.from_text("2003-01-01T00:30:00Z")
    event = "DTSTART:19970101T000000Z\nDURATION:PT1H\nRRULE:FREQ=DAILY"
    found = spans_of_calendar(calendar(event), (start, start + 3 * 86_400.0))
    assert starts(found)[0] == "2003-01-01T00:30:00Z"  # cut, not lost
    assert len(found) == 4
    assert found.ends[-1] == start + 3 * 86_400.0


def test_folded_lines_are_unfolded() -> None:
    text = calendar("DTSTART:20030102T030000Z\nDURATION:PT1H\nSUMMARY:Long\n  and folded")
    assert len(spans_of_calendar(text, SPAN)) == 1


def refusal(data: bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        spans_of_calendar(data, SPAN)
    return caught.value


@pytest.mark.parametrize(
    ("event", "line", "words"),
    [
        ("DTSTART:20030102T030000\nDURATION:PT1H", 7, "UTC"),
        ("DTSTART;TZID=Nowhere/Land:20030102T030000\nDURATION:PT1H", 7, "zone"),
        ("DTSTART;VALUE=DATE:20030102\nDURATION:P1D", 7, "zone"),
        ("DTSTART:soon\nDURATION:PT1H", 7, "RFC 5545"),
        ("DURATION:PT1H", 4, "a start"),
        ("DTSTART:20030102T030000Z", 4, "DTEND or DURATION"),
        ("DTSTART:20030102T030000Z\nDTEND:20030102T030000Z", 8, "after the start"),
        ("DTSTART:20030102T030000Z\nDURATION:-PT1H", 8, "after the start"),
        ("DTSTART:20030102T030000Z\nDURATION:PT1H\nRRULE:FREQ=SECONDLY", 9, "frequency"),
        ("DTSTART:20030102T030000Z\nDURATION:PT1H\nRRULE:FREQ=OFTEN", 9, "RFC 5545"),
        ("DTSTART:20030102T030000Z\nDURATION:PT1H\nRRULE:FREQ=DAILY;INTERVAL=0", 9, "INTERVAL"),
        ("DTSTART:00010102T030000Z\nDURATION:PT1H\nRRULE:FREQ=HOURLY", 9, "periods"),
        (
            "DTSTART:20030102T030000Z\nDURATION:PT1H\nRRULE:FREQ=DAILY;BYHOUR=0,1,2,3,4,5,6,7,8,9;"
            "BYMINUTE=0,1,2,3,4,5,6,7,8,9,10",
            9,
            "times a day",
        ),
    ],
)
def test_an_event_that_cannot_be_relied_on_is_refused_where_it_stands(
    event: str, line: int, words: str
) -> None:
    error = refusal(calendar(event))
    assert (error.line, words in error.expected) == (line, True), str(error)


def test_a_rule_that_never_matches_comes_to_an_end() -> None:
    found = one_hour("19970902T090000Z", "FREQ=HOURLY;INTERVAL=12;BYMONTH=2;BYMONTHDAY=30")
    assert len(found) <= 1


def test_more_occurrences_than_are_bounded_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outages, "MOST_OCCURRENCES", 100)
    data = calendar("DTSTART:19970902T090000Z\nDURATION:PT1H\nRRULE:FREQ=DAILY")
    assert "at most 100 occurrences" in refusal(data).expected


@pytest.mark.parametrize(
    "data",
    [b"", b"hello", b"\xff\xfe\x00", b"BEGIN:VCALENDAR\r\n", b"BEGIN:VEVENT\r\nEND:VEVENT\r\n"],
)
def test_what_is_no_calendar_is_refused(data: bytes) -> None:
    assert refusal(data).line >= 1


LINES = [
    "BEGIN:VCALENDAR",
    "END:VCALENDAR",
    "BEGIN:VEVENT",
    "END:VEVENT",
    "DTSTART:20030102T030000Z",
    "DTSTART;VALUE=DATE:20030102",
    "DTSTART;TZID=Europe/Lisbon:20030102T030000",
    "DTEND:20030102T040000Z",
    "DURATION:PT1H",
    "RRULE:FREQ=DAILY;COUNT=3",
    "RRULE:FREQ=YEARLY;BYSETPOS=-1;BYDAY=MO,TU",
    "EXDATE:20030102T030000Z",
    "RDATE;VALUE=PERIOD:20030102T030000Z/PT1H",
    "RECURRENCE-ID:20030102T030000Z",
    "UID:x",
    "STATUS:CANCELLED",
    " folded",
    "BEGIN:VTIMEZONE",
    "END:VTIMEZONE",
    "nonsense",
]


@settings(max_examples=200)
@given(st.lists(st.sampled_from(LINES) | st.text(max_size=12), max_size=12))
def test_any_lines_within_a_calendar_are_read_or_refused(lines: list[str]) -> None:
    inner = "\r\n".join(["BEGIN:VEVENT", "UID:a", *lines, "END:VEVENT"])
    for text in (inner, f"BEGIN:VCALENDAR\r\n{inner}\r\nEND:VCALENDAR\r\n"):
        try:
            found = spans_of_calendar(text.encode("utf-8", "surrogatepass"), SPAN)
        except InputError:
            continue
        assert all(SPAN[0] <= start < end <= SPAN[1] for start, end in found)


@settings(max_examples=60)
@given(
    st.sampled_from(["YEARLY", "MONTHLY", "WEEKLY", "DAILY"]),
    st.integers(1, 5),
    st.datetimes(datetime(1998, 1, 1), datetime(2005, 1, 1)),
    st.integers(1, 30),
)
def test_rules_are_expanded_as_another_library_does(
    frequency: str, interval: int, first: datetime, count: int
) -> None:
    """dateutil, asked on its own for all occurrences, must agree after bounds and clipping."""
    from dateutil.rrule import rrulestr

    first = first.replace(microsecond=0, tzinfo=UTC)
    rule = f"FREQ={frequency};INTERVAL={interval};COUNT={count}"
    expected = [moment for moment in rrulestr(rule, dtstart=first) if moment.year < 2008]
    found = one_hour(first.strftime("%Y%m%dT%H%M%SZ"), rule)
    assert [instants.to_utc(start) for start, _ in found] == expected
