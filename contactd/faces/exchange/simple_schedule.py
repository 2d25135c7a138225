"""The simple schedule format, CCSDS 902.1-B-1 (May 2018), as XML.

Neither the schema (XSD) nor the body of the book could be had when this was written, only its title
pages. The fields below are values from memory, checked against nothing but themselves: what is
written keeps to :data:`FIELDS`, and what is read may have each value as an attribute or as an
element, in any namespace. Before you rely on it with somebody else's program, validate a file
against the schema of the standard.

Times are UTC in the form of CCSDS 301.0-B ASCII B (day of year), rounded outward to the
millisecond.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple
from xml.sax.saxutils import quoteattr

from contactd.core import instants
from contactd.core.errors import InputError
from contactd.core.orbit.ndm_xml import Element, parse_xml
from contactd.faces.exchange.plan import Entry, Plan, check_count, check_entry, in_order
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, Safe, rounded

NAMESPACE = "urn:ccsds:schema:cssm:1.0.0"
ROOT, HEADER = "simpleSchedule", "simpleScheduleHeader"
PACKAGE, ACTIVITY, SERVICE = "scheduledPackage", "scheduledActivity", "serviceInfo"
CANCELLED = ("cancelled", "canceled", "rejected", "deleted")
STATUSES = ("OPERATIONAL", "TEST")


class FieldRule(NamedTuple):
    """A field of an element: whether it must be there, and what it is."""

    name: str
    is_needed: bool
    kind: str


FIELDS: dict[str, tuple[FieldRule, ...]] = {
    HEADER: (
        FieldRule("originatingOrganization", True, "text"),
        FieldRule("generationTime", True, "time"),
        FieldRule("version", False, "text"),
        FieldRule("startTime", True, "time"),
        FieldRule("endTime", True, "time"),
        FieldRule("status", True, "text"),
    ),
    PACKAGE: (FieldRule("user", True, "text"), FieldRule("comment", False, "text")),
    ACTIVITY: (
        FieldRule("beginningOfActivity", True, "time"),
        FieldRule("endOfActivity", True, "time"),
        FieldRule("beginningOfTrack", False, "time"),
        FieldRule("endOfTrack", False, "time"),
        FieldRule("siteRef", False, "text"),
        FieldRule("apertureRef", True, "text"),
        FieldRule("activityStatus", False, "text"),
    ),
    SERVICE: (
        FieldRule("serviceType", True, "text"),
        FieldRule("frequencyBand", False, "text"),
    ),
}
"""The fields of each element, in order (value from memory)."""


def write_simple_schedule(plan: Plan) -> bytes:
    """The schedule as XML, UTF-8; one package a contact.

    The user of a package is the target's name, the aperture the station's.
    """
    assert plan.start is not None, "a schedule for others says what time it speaks for"
    assert plan.end is not None, "a schedule for others says what time it speaks for"
    made_at = plan.start if plan.made_at is None else plan.made_at
    lines = ['<?xml version="1.0" encoding="UTF-8"?>', f'<{ROOT} xmlns="{NAMESPACE}">']
    lines.append(
        _tag(
            HEADER,
            {
                "originatingOrganization": plan.origin,
                "generationTime": _time(made_at, NEAREST),
                "version": "1",
                "startTime": _time(plan.start, NO_LATER),
                "endTime": _time(plan.end, NO_EARLIER),
                "status": plan.status or STATUSES[0],
            },
            2,
            closed=True,
        )
    )
    for entry in plan.entries:
        lines.append(_tag(PACKAGE, {"user": entry.target, "comment": entry.note}, 2))
        activity = {
            "beginningOfActivity": _time(
                entry.start if entry.opens is None else entry.opens, NO_LATER
            ),
            "endOfActivity": _time(entry.end if entry.closes is None else entry.closes, NO_EARLIER),
            "beginningOfTrack": _time(entry.start, NO_LATER),
            "endOfTrack": _time(entry.end, NO_EARLIER),
            "siteRef": entry.station,
            "apertureRef": entry.aperture or entry.station,
        }
        lines.append(_tag(ACTIVITY, activity, 4, closed=not entry.services))
        if entry.services:
            lines += [_tag(SERVICE, {"serviceType": n}, 6, closed=True) for n in entry.services]
            lines.append(f"    </{ACTIVITY}>")
        lines.append(f"  </{PACKAGE}>")
    return "\n".join([*lines, f"</{ROOT}>", ""]).encode()


def read_simple_schedule(data: bytes) -> Plan:
    """A schedule from XML.

    Activities that say that they are cancelled are left out. The antenna follows the target between
    the track's times where there are such, else through the whole activity.

    Raises:
        InputError: with line and column, for anything that cannot be understood.
    """
    root = parse_xml(data)
    if root.name != ROOT:
        raise root.error(f"a simple schedule (CCSDS 902.1-B), its root element {ROOT}", root.name)
    head = root.child(HEADER)
    packages = root.all(PACKAGE)
    check_count(sum(len(each.children) for each in packages))
    entries = [entry for package in packages for entry in _entries(package)]
    if head is None:
        return Plan(in_order(entries))
    plan = Plan(
        in_order(entries),
        _instant(head, "startTime"),
        _instant(head, "endTime"),
        _instant(head, "generationTime"),
        _value(head, "originatingOrganization"),
        _value(head, "status"),
    )
    if plan.start is not None and plan.end is not None and plan.end <= plan.start:
        raise head.error("an endTime after the startTime", "one that is not")
    return plan


def faults(data: bytes) -> tuple[str, ...]:
    """Where XML does not keep to :data:`FIELDS`: in each element its fields, in order."""
    root = parse_xml(data)
    if root.name != ROOT:
        return (f"root element {root.name}",)
    found = [] if root.child(HEADER) else [f"no {HEADER}"]
    for element in _below(root):
        if element.name not in FIELDS:
            found.append(f"line {element.line}: unknown element {element.name}")
            continue
        rules = FIELDS[element.name]
        known = [rule.name for rule in rules]
        given = list(element.attributes)
        if [name for name in known if name in given] != given:
            found.append(f"line {element.line}: fields {', '.join(given)}")
        for rule in rules:
            text = element.attributes.get(rule.name, "")
            if rule.is_needed and not text:
                found.append(f"line {element.line}: no {rule.name}")
            if text and rule.kind == "time" and not _is_ordinal(text):
                found.append(f"line {element.line}: {rule.name} {text}")
    return tuple(found)


def _entries(package: Element) -> Iterator[Entry]:
    user, note = _value(package, "user"), _value(package, "comment")
    for activity in package.all(ACTIVITY):
        if _value(activity, "activityStatus").lower() in CANCELLED:
            continue
        opens, closes = (
            _instant(activity, "beginningOfActivity"),
            _instant(activity, "endOfActivity"),
        )
        start = _instant(activity, "beginningOfTrack")
        end = _instant(activity, "endOfTrack")
        start, end = (opens if start is None else start), (closes if end is None else end)
        if start is None or end is None:
            raise activity.error("beginningOfActivity and endOfActivity", "not both of them")
        site, aperture = _value(activity, "siteRef"), _value(activity, "apertureRef")
        services = [_value(each, "serviceType") for each in activity.all(SERVICE)]
        entry = Entry(
            target=user,
            station=site or aperture,
            start=start,
            end=end,
            opens=opens,
            closes=closes,
            services=tuple(each for each in services if each),
            note=note,
            aperture=aperture,
            line=activity.line,
        )
        yield check_entry(entry)


def _value(element: Element, name: str) -> str:
    """A field, given as an attribute or as an element; "" if it is not there."""
    if name in element.attributes:
        return element.attributes[name].strip()
    child = element.child(name)
    return "" if child is None else child.text.strip()


def _instant(element: Element, name: str) -> float | None:
    text = _value(element, name)
    if not text:
        return None
    try:
        return instants.from_text(text if text[-1:] in "Zz" else text + "Z")
    except ValueError:
        expected = "a UTC time such as 2026-329T10:03:04.000Z or 2026-11-25T10:03:04Z"
        error = element.error(expected, repr(text))
        raise InputError(error.expected, error.found, name, "", error.line, error.column) from None


def _below(element: Element) -> Iterator[Element]:
    for child in element.children:
        yield child
        yield from _below(child)


def _is_ordinal(text: str) -> bool:
    try:
        return instants.to_text(instants.from_text(text), 3, True) == text
    except ValueError:
        return False


def _time(instant: float, safe: Safe) -> str:
    return instants.to_text(rounded(instant, safe, 1e-3), 3, True)


def _tag(name: str, fields: dict[str, str], indent: int, closed: bool = False) -> str:
    given = " ".join(f"{key}={quoteattr(_plain(value))}" for key, value in fields.items() if value)
    return f"{' ' * indent}<{name} {given}{'/' if closed else ''}>"


def _plain(text: str) -> str:
    """Without what XML cannot hold (XML 1.0, 2.2)."""
    return "".join(each for each in text if each.isprintable())
