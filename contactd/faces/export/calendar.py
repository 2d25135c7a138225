"""Calendars after RFC 5545, whose events keep their identity when predictions move.

An event keeps its UID as long as it overlaps the event of the same matter that was published
before; SEQUENCE grows with each change (RFC 5545, 3.8.7.4), and an event that is no longer foreseen
stays with STATUS:CANCELLED (3.8.1.11) so that calendars take it out. Events that are over are left
as they were published; only a stop-by that has passed or moved is cancelled.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

from contactd import __version__
from contactd.core import instants
from contactd.core.errors import InputError
from contactd.faces.export.events import KEEP_CLEAR, NEXT_COMMAND, STOP_BY, STOP_CHANCE, Event
from contactd.mission.timetext import rounded

if TYPE_CHECKING:
    from icalendar import Calendar

PRODUCT = f"-//contactd//contactd {__version__}//EN"
KIND_FIELD, ABOUT_FIELD = "X-CONTACTD-KIND", "X-CONTACTD-ABOUT"
REFRESH = "PT10M"
KEPT_S = 31 * 86_400.0
"""How long events that are over stay in the calendar."""
MOST_BYTES = 64 << 20
DECISIONS = frozenset({STOP_BY, STOP_CHANCE, NEXT_COMMAND})
# Two predictions of one event may lie so far apart without overlapping.
APART_S = 300.0
# An event without an end in sight is published at least so far ahead.
LOOKED_AHEAD_S = 86_400.0


@dataclass(slots=True)
class _Published:
    """An event as it was published before; ``component`` is the library's own form of it."""

    component: Any
    kind: str
    about: str
    start: float
    end: float
    cancelled: bool


def calendar_text(
    events: Sequence[Event],
    now: float,
    *,
    name: str = "contactd",
    before: bytes | None = None,
    span: tuple[float, float] | None = None,
    covers: Callable[[str, str], bool] = lambda kind, about: True,
) -> bytes:
    """The calendar with these events.

    Args:
        now: instant (s): the time stamp of what is new or changed.
        name: how calendars show it.
        before: the calendar as it was published last, to be carried on; None for a first one.
        span: (start, end) instants (s) that ``events`` covers: what was published within it and
            is no longer foreseen is cancelled. None: all of the time from now on.
        covers: whether ``events`` speaks for a kind of event about something; what it does not
            speak for is left as it was.

    Returns:
        The calendar, UTF-8, lines ended by CRLF and folded at 75 octets.

    Raises:
        InputError: if ``before`` is no calendar.
    """
    published = [] if before is None else _read(before)
    start, end = span or (now, math.inf)
    components: list[tuple[float, Any]] = []
    left = list(published)
    names = {str(each.component["UID"]) for each in published}
    for event in events:
        old = _match(event, left)
        if old is not None:
            left.remove(old)
            components.append((event.start, _carried_on(event, old, now)))
        else:
            components.append((event.start, _component(event, _free(event.name, names), 0, now)))
    for old in left:
        if old.end < now - KEPT_S:
            continue
        over = old.end <= now or old.end <= start
        if old.kind in DECISIONS:  # a last moment that has passed is of no more use
            over = now < old.end <= start
        kept = over or old.start >= end or old.cancelled or not covers(old.kind, old.about)
        component = old.component if kept else _cancelled(old, now)
        components.append((old.start, component))
    made = _empty(name)
    for _, component in sorted(components, key=lambda each: (each[0], str(each[1]["UID"]))):
        made.add_component(component)
    return bytes(made.to_ical())


def _empty(name: str) -> Calendar:
    from icalendar import Calendar, vText

    made = Calendar()
    made.add("PRODID", PRODUCT)
    made.add("VERSION", "2.0")
    made.add("CALSCALE", "GREGORIAN")
    made.add("METHOD", "PUBLISH")
    # NAME and REFRESH-INTERVAL: RFC 7986; the X- form is what older programs read.
    made.add("NAME", vText(_printable(name)))
    made.add("X-WR-CALNAME", vText(_printable(name)))
    made.add("REFRESH-INTERVAL;VALUE=DURATION", REFRESH, encode=False)
    return made


def _component(event: Event, uid: str, sequence: int, now: float) -> Any:
    from icalendar import Event as Component
    from icalendar import vText

    made = Component()
    made.add("UID", uid)
    made.add("DTSTAMP", _time(now))
    made.add("LAST-MODIFIED", _time(now))
    made.add("SEQUENCE", sequence)
    start, end = _whole(event)
    made.add("DTSTART", _time(start))
    if end > start:
        made.add("DTEND", _time(end))
    made.add("SUMMARY", _printable(event.summary))
    made.add("DESCRIPTION", _printable(event.description))
    if event.location:
        made.add("LOCATION", _printable(event.location))
    if event.position is not None:
        made.add("GEO", tuple(round(each, 6) for each in event.position))
    # What cannot be relied on is tentative (RFC 5545, 3.8.1.11).
    made.add("STATUS", "CONFIRMED" if event.usable else "TENTATIVE")
    made.add("CATEGORIES", [event.kind])
    # A command window does not take up anybody's time; a keep-clear does.
    made.add("TRANSP", "OPAQUE" if event.kind == KEEP_CLEAR else "TRANSPARENT")
    made.add(KIND_FIELD, vText(event.kind))
    made.add(ABOUT_FIELD, vText(_quoted(event.about)))
    return made


_COMPARED = ("DTSTART", "DTEND", "SUMMARY", "DESCRIPTION", "LOCATION", "GEO", "STATUS")


def _carried_on(event: Event, old: _Published, now: float) -> Any:
    """The event under its old UID: as it was if nothing changed, else with a higher SEQUENCE."""
    sequence = int(old.component.get("SEQUENCE", 0))
    made = _component(_unmoved(event, old, now), str(old.component["UID"]), sequence + 1, now)
    if all(_raw(made, name) == _raw(old.component, name) for name in _COMPARED):
        return old.component
    return made


def _unmoved(event: Event, old: _Published, now: float) -> Event:
    """The event with ends that are only the prediction's own left where they were published.

    Otherwise an event that goes on for weeks would change with every prediction.
    """
    start, end = event.start, event.end
    if event.opens_before and old.start <= start:
        start = old.start
    if event.closes_after and now + LOOKED_AHEAD_S <= old.end <= end:
        end = old.end
    return replace(event, start=start, end=end)


def _cancelled(old: _Published, now: float) -> Any:
    component = old.component
    for name in ("STATUS", "SEQUENCE", "DTSTAMP", "LAST-MODIFIED"):
        sequence = int(component.get("SEQUENCE", 0))
        component.pop(name, None)
        if name == "SEQUENCE":
            component.add(name, sequence + 1)
    component.add("STATUS", "CANCELLED")
    component.add("DTSTAMP", _time(now))
    component.add("LAST-MODIFIED", _time(now))
    return component


def _raw(component: Any, name: str) -> str | None:
    value = component.get(name)
    if value is None:
        return None
    written = value.to_ical()
    return written.decode() if isinstance(written, bytes) else str(written)


def _match(event: Event, published: Iterable[_Published]) -> _Published | None:
    """The published event that this one is: of the same matter, and nearest in time."""
    same = [
        each
        for each in published
        if (each.kind, each.about) == (event.kind, event.about)
        and each.start <= event.end + APART_S
        and event.start <= each.end + APART_S
    ]
    middle = (event.start + event.end) / 2
    return min(same, key=lambda each: abs((each.start + each.end) / 2 - middle), default=None)


def _free(name: str, names: set[str]) -> str:
    """The name, or one made from it that no published event has."""
    found, number = name, 1
    while found in names:
        number += 1
        local, _, domain = name.partition("@")
        found = f"{local}-{number}@{domain}"
    names.add(found)
    return found


def _read(text: bytes) -> list[_Published]:
    """The events of a calendar that contactd published; others' events are left out."""
    from icalendar import Calendar

    expected = "a calendar that contactd wrote (RFC 5545)"
    if len(text) > MOST_BYTES:
        raise InputError(expected, f"{len(text):,} bytes")
    try:
        found = Calendar.from_ical(text)
        return [
            _Published(
                component,
                str(component[KIND_FIELD]),
                unquote(str(component[ABOUT_FIELD])),
                instants.from_utc(component.decoded("DTSTART")),
                instants.from_utc(component.decoded("DTEND", component.decoded("DTSTART"))),
                str(component.get("STATUS", "")) == "CANCELLED",
            )
            for component in found.walk("VEVENT")
            if KIND_FIELD in component and ABOUT_FIELD in component and "UID" in component
        ]
    except (ValueError, KeyError, TypeError, AttributeError, IndexError) as problem:
        raise InputError(expected, f"something else ({problem})") from None


def _whole(event: Event) -> tuple[float, float]:
    """Start and end to whole seconds, which is all that calendars know, on the safe side."""
    start, end = rounded(event.start, event.safe[0]), rounded(event.end, event.safe[1])
    return start, max(start, end)


def _time(instant: float) -> datetime:
    return instants.to_utc(round(instant)).replace(microsecond=0, tzinfo=UTC)


def _quoted(about: str) -> str:
    """Without the signs that libraries escape, or do not, in fields that they do not know."""
    return quote(about, safe="/ ")


def _printable(text: str) -> str:
    """Without control characters, which RFC 5545 (3.1) does not allow, but with its lines."""
    return "".join(letter for letter in text if letter.isprintable() or letter == "\n")
