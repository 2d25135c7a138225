"""Outages from calendars."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.errors import InputError
from contactd.core.ground.outages import calendar_outages
from contactd.core.instants import from_text, to_text
from contactd.core.intervals import EMPTY, IntervalSet

START, END = from_text("1997-09-01T00:00:00Z"), from_text("1999-01-01T00:00:00Z")


def calendar(*events: str) -> str:
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN"]
    for number, event in enumerate(events):
        body = event.strip().splitlines()
        head = [] if any(x.startswith("UID") for x in body) else [f"UID:{number}@example"]
        lines += ["BEGIN:VEVENT", *head, "DTSTAMP:19970101T000000Z", *body, "END:VEVENT"]
    return "\r\n".join([*lines, "END:VCALENDAR", ""])


def starts_of(found: IntervalSet) -> list[str]:
    return [to_text(at, 0).removesuffix(":00Z") for at in found.starts]


def outages(*events: str, start: float = START, end: float = END) -> IntervalSet:
    return calendar_outages(calendar(*events), start, end)


def rule(text: str, first: str = "19970902T090000Z", length: str = "PT10M") -> IntervalSet:
    return outages(f"DTSTART:{first}\nDURATION:{length}\nRRULE:{text}")


def error_of(text: str | bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        calendar_outages(text, START, END)
    return caught.value


def test_a_single_event_is_an_outage_from_its_start_to_its_end() -> None:
    found = outages("DTSTART:19970902T090000Z\nDTEND:19970902T113000Z\nSUMMARY:paint")
    assert found == IntervalSet(
        [from_text("1997-09-02T09:00:00Z")], [from_text("1997-09-02T11:30:00Z")]
    )


# Source of the next tests: the examples of RFC 5545, 3.8.5.3 (expectations from memory, confirmed
# with dateutil); their times are taken as UTC.


def test_daily_for_ten_occurrences() -> None:
    found = starts_of(rule("FREQ=DAILY;COUNT=10"))
    assert found == [f"1997-09-{day:02d}T09:00" for day in range(2, 12)]


def test_weekly_for_ten_occurrences() -> None:
    found = starts_of(rule("FREQ=WEEKLY;COUNT=10"))
    assert len(found) == 10
    assert (found[0], found[-1]) == ("1997-09-02T09:00", "1997-11-04T09:00")


def test_every_three_hours_until_a_time() -> None:
    found = starts_of(rule("FREQ=HOURLY;INTERVAL=3;UNTIL=19970902T170000Z"))
    assert found == ["1997-09-02T09:00", "1997-09-02T12:00", "1997-09-02T15:00"]


def test_every_fifteen_minutes_for_six_occurrences() -> None:
    found = starts_of(rule("FREQ=MINUTELY;INTERVAL=15;COUNT=6"))
    assert (found[0], found[-1], len(found)) == ("1997-09-02T09:00", "1997-09-02T10:15", 6)


def test_monthly_on_the_first_friday() -> None:
    found = starts_of(rule("FREQ=MONTHLY;COUNT=10;BYDAY=1FR", "19970905T090000Z"))
    days = [
        "09-05",
        "10-03",
        "11-07",
        "12-05",
        "01-02",
        "02-06",
        "03-06",
        "04-03",
        "05-01",
        "06-05",
    ]
    assert [text[5:10] for text in found] == days


def test_the_fifteenth_and_thirtieth_skip_a_february_without_one() -> None:
    text = calendar(
        "DTSTART:20070115T090000Z\nDURATION:PT1H\nRRULE:FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5"
    )
    found = calendar_outages(
        text, from_text("2007-01-01T00:00:00Z"), from_text("2008-01-01T00:00:00Z")
    )
    days = [text[5:10] for text in starts_of(found)]
    assert days == ["01-15", "01-30", "02-15", "03-15", "03-30"]


def test_left_out_and_added_occurrences_are_heeded() -> None:
    found = outages(
        "DTSTART:19970902T090000Z\nDURATION:PT1H\nRRULE:FREQ=DAILY;COUNT=4\n"
        "EXDATE:19970903T090000Z,19970905T090000Z\n"
        "RDATE:19970910T120000Z\n"
        "RDATE;VALUE=PERIOD:19970911T120000Z/PT30M,19970912T120000Z/19970912T150000Z"
    )
    assert [t[8:] for t in starts_of(found)] == [
        "02T09:00", "04T09:00", "10T12:00", "11T12:00", "12T12:00"
    ]  # fmt: skip
    assert list(found.durations_s) == [3600, 3600, 3600, 1800, 10800]


def test_a_moved_occurrence_stands_where_it_was_moved_to() -> None:
    # Source: RFC 5545, 3.8.4.4 RECURRENCE-ID.
    found = outages(
        "UID:x\nDTSTART:19970902T090000Z\nDURATION:PT1H\nRRULE:FREQ=DAILY;COUNT=3",
        "UID:x\nRECURRENCE-ID:19970903T090000Z\nDTSTART:19970903T140000Z\nDURATION:PT2H",
    )
    assert [t[8:] for t in starts_of(found)] == ["02T09:00", "03T14:00", "04T09:00"]
    assert list(found.durations_s) == [3600, 7200, 3600]


def test_a_cancelled_occurrence_is_no_outage() -> None:
    found = outages(
        "UID:x\nDTSTART:19970902T090000Z\nDURATION:PT1H\nRRULE:FREQ=DAILY;COUNT=3",
        "UID:x\nRECURRENCE-ID:19970903T090000Z\nDTSTART:19970903T090000Z\nSTATUS:CANCELLED",
    )
    assert [t[8:] for t in starts_of(found)] == ["02T09:00", "04T09:00"]


def test_what_is_cancelled_or_takes_no_time_is_no_outage() -> None:
    both = "DTSTART:19970902T090000Z\nDURATION:PT1H\n"
    assert outages(both + "STATUS:CANCELLED", both + "TRANSP:TRANSPARENT") == EMPTY


def test_a_date_is_a_whole_day_in_utc_and_a_moment_takes_no_time() -> None:
    # Source: RFC 5545, 3.6.1.
    found = outages("DTSTART;VALUE=DATE:19970902", "DTSTART:19970905T090000Z")
    assert found == IntervalSet(
        [from_text("1997-09-02T00:00:00Z")], [from_text("1997-09-03T00:00:00Z")]
    )
    two = outages("DTSTART;VALUE=DATE:19970902\nDTEND;VALUE=DATE:19970904")
    assert two.total_s == 2 * 86400


def test_local_times_keep_the_hour_of_the_clock_through_the_change_to_winter() -> None:
    # Source: RFC 5545, 3.3.10: recurrences go by the clock of the event's zone; New York left
    # summer time on 26 October 1997.
    found = outages(
        "DTSTART;TZID=America/New_York:19971024T090000\nDURATION:PT1H\nRRULE:FREQ=DAILY;COUNT=4"
    )
    hours = [text[8:] for text in starts_of(found)]
    assert hours == ["24T13:00", "25T13:00", "26T14:00", "27T14:00"]


def test_a_zone_that_the_calendar_defines_itself_is_understood() -> None:
    zone = (
        "BEGIN:VTIMEZONE\r\nTZID:Site clock\r\nBEGIN:STANDARD\r\nDTSTART:19700101T000000\r\n"
        "TZOFFSETFROM:+0500\r\nTZOFFSETTO:+0500\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
    )
    event = calendar("DTSTART;TZID=Site clock:19970902T090000\nDURATION:PT1H")
    text = event.replace("BEGIN:VEVENT", zone + "BEGIN:VEVENT")
    assert starts_of(calendar_outages(text, START, END)) == ["1997-09-02T04:00"]


def test_busy_times_are_outages_too() -> None:
    text = calendar().replace(
        "END:VCALENDAR",
        "BEGIN:VFREEBUSY\r\nUID:1\r\nDTSTAMP:19970101T000000Z\r\n"
        "FREEBUSY:19970902T090000Z/PT1H,19970903T090000Z/19970903T100000Z\r\n"
        "FREEBUSY;FBTYPE=FREE:19970904T090000Z/PT1H\r\nEND:VFREEBUSY\r\nEND:VCALENDAR",
    )
    assert [t[8:] for t in starts_of(calendar_outages(text, START, END))] == [
        "02T09:00",
        "03T09:00",
    ]


def test_events_are_cut_at_the_spans_ends_and_older_rules_reach_into_it() -> None:
    found = outages(
        "DTSTART:19900101T230000Z\nDURATION:PT2H\nRRULE:FREQ=DAILY",
        start=from_text("1997-09-02T00:30:00Z"),
        end=from_text("1997-09-03T00:15:00Z"),
    )
    assert starts_of(found) == ["1997-09-02T00:30", "1997-09-02T23:00"]
    assert list(found.durations_s) == [1800, 4500]
    assert outages("DTSTART:19970902T090000Z\nDURATION:PT1H", start=END, end=START) == EMPTY


def test_overlapping_outages_are_one() -> None:
    found = outages(
        "DTSTART:19970902T090000Z\nDURATION:PT2H", "DTSTART:19970902T100000Z\nDURATION:PT2H"
    )
    assert list(found.durations_s) == [3 * 3600]


@pytest.mark.parametrize(
    ("event", "key"),
    [
        ("DTSTART:19970902T090000\nDURATION:PT1H", "DTSTART"),
        ("DTSTART;TZID=Nowhere/Such:19970902T090000\nDURATION:PT1H", "DTSTART"),
        ("DTSTART:yesterday\nDURATION:PT1H", "DTSTART"),
        ("DURATION:PT1H", "DTSTART"),
        ("DTSTART:19970902T090000Z\nDTEND:19970902T080000Z", "DTEND"),
        ("DTSTART:19970902T090000Z\nDTEND:20970902T080000Z", "DTEND"),
        ("DTSTART:19970902T090000Z\nDURATION:PT1H\nRRULE:FREQ=OFTEN", "RRULE"),
        ("DTSTART:19970902T090000Z\nRRULE:FREQ=DAILY;UNTIL=19970905T090000", "RRULE"),
        ("DTSTART:19970902T090000Z\nDURATION:PT1H\nRRULE:FREQ=SECONDLY", "RRULE"),
        ("DTSTART:19970902T090000Z\nDURATION:PT1H\nRRULE:FREQ=MINUTELY;BYMONTH=2;BYMONTHDAY=31",
         "RRULE"),
        ("DTSTART:19970902T090000Z\nDURATION:PT1H\nRECURRENCE-ID;RANGE=THISANDFUTURE:"
         "19970902T090000Z", "RECURRENCE-ID"),
    ],
)  # fmt: skip
def test_events_that_cannot_be_followed_are_refused_with_their_line(event: str, key: str) -> None:
    error = error_of(calendar("DTSTART:19970902T090000Z\nDURATION:PT1H", event))
    assert (error.key, error.line) == (key, 10)


@pytest.mark.parametrize(
    "text",
    ["", "nothing", "BEGIN:VCALENDAR\nBEGIN:VEVENT\n", "BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n" * 2,
     "<html></html>"],
)  # fmt: skip
def test_what_is_no_calendar_is_refused(text: str) -> None:
    assert error_of(text).expected


def test_a_rule_that_never_comes_true_does_not_keep_the_service() -> None:
    assert rule("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=31") == IntervalSet(
        [from_text("1997-09-02T09:00:00Z")], [from_text("1997-09-02T09:10:00Z")]
    )


TEXT = calendar(
    "DTSTART:19970902T090000Z\nDURATION:PT1H\nRRULE:FREQ=DAILY;COUNT=3\nEXDATE:19970903T090000Z",
    "DTSTART;TZID=Europe/Berlin:19971024T090000\nDTEND;TZID=Europe/Berlin:19971024T100000",
)


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_a_changed_or_missing_stretch_never_gives_anything_but_outages_or_an_input_error(
    data: st.DataObject,
) -> None:
    place = data.draw(st.integers(0, len(TEXT)))
    length = data.draw(st.integers(0, 30))
    try:
        calendar_outages(
            TEXT[:place] + data.draw(st.text(max_size=3)) + TEXT[place + length :], START, END
        )
    except InputError:
        return
