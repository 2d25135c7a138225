"""Outages from a calendar: iCalendar text to the times when a station is out.

Every event of the calendar is an outage, one-off or recurring, except what is cancelled or marked
as taking no time (``TRANSP:TRANSPARENT``).

Source: RFC 5545: 3.3.10 and 3.8.5 (recurrence), 3.6.1 (events: what neither ends nor lasts takes a
day if it is a date, else no time), 3.8.4.4 (RECURRENCE-ID), 3.6.4 (busy times). Read with the
packages icalendar and python-dateutil.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

from contactd.core.errors import InputError
from contactd.core.instants import from_utc, to_utc
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit.text import as_text, numbered_lines, shorten

MAX_EVENTS: Final = 10_000
MAX_STEPS: Final = 100_000
"""Most recurrences of one event that are walked through, from its start to the span's end."""
MAX_OUTAGES: Final = 100_000
_LONGEST_EVENT: Final = timedelta(days=3660)
_QUICK_FREQUENCIES: Final = ("HOURLY", "MINUTELY", "SECONDLY")
_DATE_FILTERS: Final = ("BYMONTH", "BYMONTHDAY", "BYYEARDAY", "BYWEEKNO", "BYDAY", "BYSETPOS")


def calendar_outages(text: str | bytes, start: float, end: float) -> IntervalSet:
    """Outages of a calendar between two instants (s), cut there; as :func:`calendar_reasons`."""
    spans = [(begins, ends) for begins, ends, _ in calendar_reasons(text, start, end)]
    return IntervalSet.of(spans).clip(start, end) if spans else EMPTY


def calendar_reasons(text: str | bytes, start: float, end: float) -> list[tuple[float, float, str]]:
    """Outages of a calendar that meet the span between two instants (s), each with its reason.

    Args:
        text: of an iCalendar object (RFC 5545). A whole day runs from midnight to midnight UTC.
        start, end: the span; recurring events are followed through it only.

    Returns:
        (from, to, reason) of each, instants in s, whole also where they reach beyond the span; the
        reason is the event's summary, or "".

    Raises:
        InputError: with the event's line, for what is no calendar, a time without zone (which RFC
            5545 calls floating), an event that ends before it begins, a rule that cannot be
            followed, or too many events.
    """
    decoded = as_text(text)
    lines = [number for number, line in numbered_lines(decoded) if line.strip() == "BEGIN:VEVENT"]
    calendar = _parsed(decoded)
    if start >= end:
        return []
    found: list[tuple[float, float, str]] = []
    events = _events(calendar, lines)
    moved = {(each.uid, _utc(each.instead_of)) for each in events if each.instead_of is not None}
    window = (to_utc(start), to_utc(end))
    for event in events:
        if event.takes_time:
            why = str(event.component.get("SUMMARY", "")).strip()
            found += [(*span, why) for span in _spans(event, window, moved)]
            if len(found) > MAX_OUTAGES:
                raise event.error(f"at most {MAX_OUTAGES} outages in the span", "more")
    found += [(begins, ends, "") for begins, ends in _busy_times(calendar)]
    return found


@dataclass(slots=True)
class _Event:
    """One VEVENT, and the line it begins in."""

    component: Any
    line: int
    uid: str
    instead_of: datetime | None
    begins: datetime
    length: timedelta

    @property
    def takes_time(self) -> bool:
        status = str(self.component.get("STATUS", "")).upper()
        return status != "CANCELLED" and (
            str(self.component.get("TRANSP", "OPAQUE")).upper() != "TRANSPARENT"
        )

    def error(self, expected: str, found: str, key: str = "VEVENT") -> InputError:
        return InputError(expected, found, key, line=self.line, column=1)


def _parsed(text: str) -> Any:
    from icalendar import Calendar

    if not text.lstrip().upper().startswith("BEGIN:VCALENDAR"):
        found = repr(shorten(text.strip().splitlines()[0])) if text.strip() else "nothing"
        raise InputError("BEGIN:VCALENDAR as the first line", found, line=1, column=1)
    try:
        return Calendar.from_ical(text)
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        raise InputError(
            "an iCalendar object as RFC 5545 sets it", shorten(str(error)), line=1, column=1
        ) from None


def _events(calendar: Any, lines: list[int]) -> list[_Event]:
    found = []
    for index, component in enumerate(calendar.walk("VEVENT")):
        if index >= MAX_EVENTS:
            raise InputError(f"at most {MAX_EVENTS} events", "more", "VEVENT")
        line = lines[index] if index < len(lines) else 1
        found.append(_event(component, line))
    return found


def _event(component: Any, line: int) -> _Event:
    made = _Event(component, line, "", None, _NEVER, _ZERO)
    try:
        return _read(component, line)
    except _MISREAD as error:  # a property twice, or with a value of another kind
        raise made.error("an event as RFC 5545 sets it", shorten(str(error))) from None


def _read(component: Any, line: int) -> _Event:
    made = _Event(component, line, str(component.get("UID", f"line {line}")), None, _NEVER, _ZERO)
    if component.errors:
        name, reason = component.errors[0]
        said = shorten(str(reason), 120)
        raise made.error(f"a value that RFC 5545 allows ({said})", str(name), str(name))
    if "DTSTART" not in component:
        raise made.error("DTSTART", "none", "DTSTART")
    first = component["DTSTART"].dt
    made.begins = _moment(made, first, "DTSTART")
    if "DTEND" in component:
        made.length = _moment(made, component["DTEND"].dt, "DTEND") - made.begins
    elif "DURATION" in component:
        made.length = component["DURATION"].dt
    elif not isinstance(first, datetime):
        made.length = timedelta(days=1)
    if made.length < _ZERO:
        raise made.error("an end after the start", str(component.get("SUMMARY", made.uid)), "DTEND")
    if made.length > _LONGEST_EVENT:
        raise made.error("an event of at most ten years", str(made.length), "DTEND")
    if "RECURRENCE-ID" in component:
        if component["RECURRENCE-ID"].params.get("RANGE"):
            raise made.error("each changed occurrence by itself", "RANGE", "RECURRENCE-ID")
        made.instead_of = _moment(made, component["RECURRENCE-ID"].dt, "RECURRENCE-ID")
    return made


_NEVER: Final = datetime(1970, 1, 1, tzinfo=UTC)
_ZERO: Final = timedelta()
_MISREAD: Final = (AttributeError, KeyError, OverflowError, TypeError, ValueError)


def _moment(event: _Event, value: date | datetime, key: str) -> datetime:
    """An aware datetime in its own zone; a date is midnight UTC."""
    if not isinstance(value, datetime):
        return datetime(value.year, value.month, value.day, tzinfo=UTC)
    if value.tzinfo is None:
        raise event.error(
            "a time in UTC (with Z) or with a known TZID: a floating time means nothing here",
            value.isoformat(),
            key,
        )
    return value


def _spans(
    event: _Event, window: tuple[datetime, datetime], moved: set[tuple[str, datetime]]
) -> list[tuple[float, float]]:
    """Instants (s) between which the event takes place."""
    try:
        found = list(_occurrences(event, window, moved))
    except _MISREAD as error:
        raise event.error("an event as RFC 5545 sets it", shorten(str(error))) from None
    return [(from_utc(begins), from_utc(ends)) for begins, ends in found]


def _occurrences(
    event: _Event, window: tuple[datetime, datetime], moved: set[tuple[str, datetime]]
) -> Iterator[tuple[datetime, datetime]]:
    """Starts and ends (UTC) of what of the event falls into the window."""
    skipped = {_utc(_moment(event, each, "EXDATE")) for each in _dates(event, "EXDATE")}
    lengths = dict(_added(event))
    for begins in _starts(event, window):
        utc = _utc(begins)
        replaced = event.instead_of is None and (event.uid, utc) in moved
        if utc not in skipped and not replaced:
            lengths.setdefault(utc, event.length)
    for utc, length in sorted(lengths.items()):
        if length > _ZERO and utc + length > window[0] and utc < window[1]:
            yield utc, utc + length


def _starts(event: _Event, window: tuple[datetime, datetime]) -> Iterator[datetime]:
    yield event.begins
    rules = event.component.get("RRULE")
    if rules is None:
        return
    for rule in rules if isinstance(rules, list) else [rules]:
        yield from _recurrences(event, rule, window)


def _recurrences(event: _Event, rule: Any, window: tuple[datetime, datetime]) -> Iterator[datetime]:
    from dateutil.rrule import rrulestr

    text = rule.to_ical().decode()
    frequency = str((rule.get("FREQ") or [""])[0]).upper()
    if frequency in _QUICK_FREQUENCIES and any(name in rule for name in _DATE_FILTERS):
        raise event.error(
            "no rule of hours, minutes or seconds with days of its own: write it as DAILY",
            shorten(text),
            "RRULE",
        )
    try:
        walk = iter(rrulestr(text, dtstart=event.begins))
        for steps, begins in enumerate(walk):
            if begins >= window[1]:
                return
            if steps >= MAX_STEPS:
                raise event.error(
                    f"at most {MAX_STEPS} recurrences until the span's end: begin it later",
                    shorten(text),
                    "RRULE",
                )
            yield begins
    except (ValueError, TypeError, OverflowError) as error:
        raise event.error(
            f"a recurrence rule of RFC 5545 ({error})", shorten(text), "RRULE"
        ) from None


def _dates(event: _Event, key: str) -> Iterator[Any]:
    """Values of a property that may come several times, each with several values."""
    found = event.component.get(key)
    for prop in found if isinstance(found, list) else [found] if found is not None else []:
        for value in prop.dts:
            yield value.dt


def _added(event: _Event) -> Iterator[tuple[datetime, timedelta]]:
    """Occurrences by RDATE: moments, dates or periods."""
    for value in _dates(event, "RDATE"):
        if isinstance(value, tuple):
            begins, ends = _utc(_moment(event, value[0], "RDATE")), value[1]
            length = (
                ends
                if isinstance(ends, timedelta)
                else _utc(_moment(event, ends, "RDATE")) - begins
            )
            yield begins, length
        else:
            yield _utc(_moment(event, value, "RDATE")), event.length


def _busy_times(calendar: Any) -> list[tuple[float, float]]:
    """Spans of VFREEBUSY that are not free."""
    spans = []
    try:
        for component in calendar.walk("VFREEBUSY"):
            found = component.get("FREEBUSY")
            for prop in found if isinstance(found, list) else [found] if found is not None else []:
                if str(prop.params.get("FBTYPE", "BUSY")).upper() != "FREE":
                    spans.append((from_utc(prop.start), from_utc(prop.start + prop.duration)))
    except _MISREAD as error:
        reason = shorten(str(error))
        raise InputError("busy times in UTC as RFC 5545 sets them", reason, "FREEBUSY") from None
    return spans


def _utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC)
