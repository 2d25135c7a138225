"""Spans of time from a calendar file: events once or recurring, as IntervalSet.

Events (VEVENT) with times in UTC or in a time zone that is named; repeated by RRULE, RDATE and
EXDATE; single occurrences moved or cancelled by RECURRENCE-ID and STATUS. What an event is called
does not matter: every event that is not cancelled counts.

Any text is safe to give: events, occurrences, and the work that a rule asks for are bounded.

Source: RFC 5545 (2009), sections 3.6.1, 3.8.4.4, 3.8.5. Rules are expanded by dateutil.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from contactd.core import instants
from contactd.core.errors import InputError
from contactd.core.instants import DAY_S
from contactd.core.intervals import IntervalSet

MOST_BYTES = 1 << 20
MOST_EVENTS = 2_000
MOST_OCCURRENCES = 20_000
MOST_RULE_PERIODS = 30_000
MOST_TIMES_A_DAY = 100
LONGEST_EVENT_S = 10 * 366 * DAY_S

_PERIODS_S = {
    "YEARLY": 365 * DAY_S,
    "MONTHLY": 28 * DAY_S,
    "WEEKLY": 7 * DAY_S,
    "DAILY": DAY_S,
    "HOURLY": 3600.0,
}
_LINE = re.compile(r"([A-Za-z0-9-]+)[;:]")
_EXAMPLE = "such as DTSTART:20261203T080000Z"


def spans_of_calendar(data: bytes, span: tuple[float, float]) -> IntervalSet:
    """When the events of a calendar are, within a span.

    Args:
        data: the calendar file.
        span: (start, end) instants (s); what lies outside is left out.

    Returns:
        The union of all occurrences, clipped to the span.

    Raises:
        InputError: with line and column, if the text is no calendar, or an event has no start
            with a zone, no end, or a rule that cannot be expanded within the bounds.
    """
    events = _read(data)
    moved = {(event.uid, event.replaces) for event in events if event.replaces is not None}
    pairs: list[tuple[float, float]] = []
    for event in events:
        if event.cancelled:
            continue
        length_s = event.length_s()
        for start in event.starts(span[0] - length_s, span[1]):
            if event.replaces is None and (event.uid, start) in moved:
                continue
            pairs.append((start, start + length_s))
            if len(pairs) > MOST_OCCURRENCES:
                expected = f"at most {MOST_OCCURRENCES:,} occurrences: end the rule earlier"
                raise event.error("RRULE", expected, "more")
    return IntervalSet.of(pairs).clip(*span)


@dataclass(slots=True)
class _Event:
    """One VEVENT and the line of each of its properties."""

    parsed: Any
    lines: dict[str, int]

    def error(self, key: str, expected: str, found: str) -> InputError:
        line = self.lines.get(key, self.lines["BEGIN"])
        return InputError(expected, found, key, line=line, column=1)

    @property
    def uid(self) -> str:
        return str(self.parsed.get("UID", ""))

    @property
    def cancelled(self) -> bool:
        return str(self.parsed.get("STATUS", "")).upper() == "CANCELLED"

    @property
    def replaces(self) -> float | None:
        if "RECURRENCE-ID" not in self.parsed:
            return None
        if "RANGE" in self.parsed["RECURRENCE-ID"].params:
            raise self.error("RECURRENCE-ID", "no RANGE: change the rule itself", "RANGE")
        return self.instant("RECURRENCE-ID", self.parsed["RECURRENCE-ID"].dt)

    def check(self) -> None:
        """Refuse what could not be read: an event half understood is not to be relied on."""
        for key, problem in self.parsed.errors:
            raise self.error(str(key or ""), "a value as RFC 5545 has it", str(problem)[:80])
        for key in ("DTSTART", "DTEND", "DURATION", "RRULE", "RECURRENCE-ID"):
            if isinstance(self.parsed.get(key), list) and key != "RRULE":
                raise self.error(key, "it once", "it more than once")
        if "DTSTART" not in self.parsed:
            raise self.error("DTSTART", f"a start {_EXAMPLE}", "none")

    def instant(self, key: str, moment: object) -> float:
        if not isinstance(moment, datetime):
            raise self.error(key, f"a time with its zone, {_EXAMPLE}", "a day without a time")
        if moment.tzinfo is None:
            expected = f"a time in UTC, {_EXAMPLE}, or in a time zone that is known"
            raise self.error(key, expected, f"{moment.isoformat()} without a zone")
        try:
            return instants.from_utc(moment.astimezone(UTC))
        except OverflowError:
            raise self.error(key, "a year that can be", moment.isoformat()) from None

    def length_s(self) -> float:
        start = self.instant("DTSTART", self.parsed["DTSTART"].dt)
        if "DTEND" in self.parsed:
            length_s = self.instant("DTEND", self.parsed["DTEND"].dt) - start
        elif "DURATION" in self.parsed:
            length_s = self.parsed["DURATION"].dt.total_seconds()
        else:
            raise self.error("DTEND", "DTEND or DURATION", "neither")
        if not 0 < length_s <= LONGEST_EVENT_S:
            key = "DTEND" if "DTEND" in self.parsed else "DURATION"
            raise self.error(key, "an end after the start, within ten years", f"{length_s:g} s")
        return length_s

    def starts(self, earliest: float, latest: float) -> Iterator[float]:
        """Instants at which the event begins, from ``earliest`` until before ``latest``."""
        first = self.parsed["DTSTART"].dt
        left_out = {self.instant("EXDATE", each) for each in self._dates("EXDATE")}
        begun = {self.instant("DTSTART", first)}
        begun |= {self.instant("RDATE", each) for each in self._dates("RDATE")}
        for rule in _as_list(self.parsed.get("RRULE")):
            begun.update(self._by_rule(rule, first, earliest, latest))
        return (each for each in sorted(begun - left_out) if earliest <= each < latest)

    def _dates(self, key: str) -> Iterator[object]:
        for listed in _as_list(self.parsed.get(key)):
            for each in listed.dts:
                if isinstance(each.dt, tuple):
                    raise self.error(key, "times without a duration of their own", "a period")
                yield each.dt

    def _by_rule(self, rule: Any, first: datetime, earliest: float, latest: float) -> list[float]:
        from dateutil.rrule import rrulestr

        self._bound(rule, first, latest)
        text = rule.to_ical().decode()
        try:
            parsed: Any = rrulestr(text, dtstart=first)
            end = instants.to_utc(latest) + timedelta(seconds=1)
            until = parsed._until if parsed._until is not None else end
            found: list[float] = []
            # `replace` with an end, so that a rule that never matches comes to an end as well.
            bounded = parsed.replace(until=min(until, end)) if parsed._count is None else parsed
            for number, moment in enumerate(bounded):
                if number > MOST_RULE_PERIODS or moment > end:
                    break
                start = self.instant("RRULE", moment)
                if start >= earliest:
                    found.append(start)
                if len(found) > MOST_OCCURRENCES:
                    break
        except (ValueError, TypeError, OverflowError) as error:
            raise self.error("RRULE", f"a rule as RFC 5545 has it ({error})", text[:80]) from None
        return found

    def _bound(self, rule: Any, first: datetime, latest: float) -> None:
        """Refuse rules that would take too long to expand."""
        frequency = str(_as_list(rule.get("FREQ"))[0]) if rule.get("FREQ") else ""
        period_s = _PERIODS_S.get(frequency)
        if period_s is None:
            expected = f"a frequency of {', '.join(_PERIODS_S)}"
            raise self.error("RRULE", expected, frequency or "none")
        interval = int(_as_list(rule.get("INTERVAL", 1))[0])
        if interval < 1:
            raise self.error("RRULE", "an INTERVAL of at least 1", str(interval))
        last = latest
        if rule.get("UNTIL"):
            until = _as_list(rule["UNTIL"])[0]
            last = min(last, self.instant("RRULE", until))
        periods = (last - self.instant("DTSTART", first)) / period_s / interval
        if periods > MOST_RULE_PERIODS:
            expected = f"at most {MOST_RULE_PERIODS:,} periods: let DTSTART be later"
            raise self.error("RRULE", expected, f"{periods:,.0f}")
        keys = ("BYHOUR", "BYMINUTE", "BYSECOND")
        times = math.prod(max(len(_as_list(rule.get(key))), 1) for key in keys)
        if times > MOST_TIMES_A_DAY:
            raise self.error("RRULE", f"at most {MOST_TIMES_A_DAY} times a day", str(times))


def _as_list(value: Any) -> list[Any]:
    if value is None:
        return []
    return value if isinstance(value, list) else [value]


def _read(data: bytes) -> list[_Event]:
    from icalendar import Calendar

    text = _text_of(data)
    try:
        calendar: Any = Calendar.from_ical(text)
        parsed = list(calendar.walk("VEVENT"))
    except (ValueError, KeyError, IndexError, TypeError, AttributeError, OverflowError) as error:
        raise _no_calendar(text, error) from None
    lines = _lines_of_events(text)
    if len(lines) != len(parsed):
        raise InputError("BEGIN:VEVENT and END:VEVENT in pairs", "events that overlap", line=1)
    if len(parsed) > MOST_EVENTS:
        raise InputError(f"at most {MOST_EVENTS:,} events", f"{len(parsed):,}", line=1)
    events = [_Event(event, where) for event, where in zip(parsed, lines, strict=True)]
    for event in events:
        event.check()
    return events


def _text_of(data: bytes) -> str:
    if len(data) > MOST_BYTES:
        raise InputError(f"a calendar of at most {MOST_BYTES:,} bytes", f"{len(data):,}", line=1)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        found = f"the byte 0x{data[error.start]:02X}"
        raise InputError("text in UTF-8", found, line=line, column=1) from None


def _no_calendar(text: str, error: Exception) -> InputError:
    reason = str(error).replace("\r", " ").replace("\n", " ")[:80]
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip() and not line.startswith((" ", "\t")) and _LINE.match(line) is None:
            expected = "a line such as NAME:value (RFC 5545)"
            return InputError(expected, repr(line[:60]), line=number, column=1)
    return InputError("one VCALENDAR, each BEGIN with its END (RFC 5545)", reason, line=1, column=1)


def _lines_of_events(text: str) -> list[dict[str, int]]:
    """For each VEVENT in order, the line of each property's first mention."""
    events: list[dict[str, int]] = []
    inside = False
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), 1):
        upper = line.strip().upper()
        if upper == "BEGIN:VEVENT":
            events.append({"BEGIN": number})
            inside = True
        elif upper == "END:VEVENT":
            inside = False
        elif inside and not line.startswith((" ", "\t")):
            name = _LINE.match(line)
            if name:
                events[-1].setdefault(name[1].upper(), number)
    return events
