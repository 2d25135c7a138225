"""Schedules as CSV and as JSON.

CSV has a heading line with at least ``target, station, from, to``; JSON is an object with ``from``,
``to`` and a list of ``bookings`` that have the same fields, or that list alone. Times are RFC 3339
UTC, rounded outward to the millisecond: what comes back holds all that was asked for. What else
there is, is passed over.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from typing import Any

from contactd.core import instants
from contactd.core.errors import InputError
from contactd.core.orbit.text import check_size
from contactd.faces.exchange.plan import Entry, Plan, check_count, in_order
from contactd.faces.plain_text import csv_text as cell_text
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, machine

NEEDED = ("target", "station", "from", "to")
COLUMNS = (*NEEDED, "setup_from", "teardown_to", "services", "note")


def forms(plan: Plan) -> list[dict[str, Any]]:
    """The entries with the fields of :data:`COLUMNS`."""
    return [
        {
            "target": each.target,
            "station": each.station,
            "from": machine(each.start, NO_LATER),
            "to": machine(each.end, NO_EARLIER),
            "setup_from": machine(each.opens, NO_LATER),
            "teardown_to": machine(each.closes, NO_EARLIER),
            "services": list(each.services),
            "note": each.note,
        }
        for each in plan.entries
    ]


def json_form(plan: Plan) -> dict[str, Any]:
    """The schedule as JSON values."""
    return {
        "made_at": machine(plan.made_at, NEAREST),
        "from": machine(plan.start, NO_LATER),
        "to": machine(plan.end, NO_EARLIER),
        "bookings": forms(plan),
    }


def csv_text(plan: Plan) -> str:
    """The schedule as CSV; text that a spreadsheet would take for a formula gets an apostrophe."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for form in forms(plan):
        writer.writerow([cell_text(each) for each in form.values()])
    return out.getvalue()


def read_json(data: bytes) -> Plan:
    """A schedule from JSON.

    Raises:
        InputError: for anything that cannot be understood.
    """
    check_size(data)
    try:
        given = json.loads(data)
    except (ValueError, RecursionError) as problem:
        line, column = getattr(problem, "lineno", 0), getattr(problem, "colno", 0)
        reason = getattr(problem, "msg", "something else")
        raise InputError("JSON", reason, line=line, column=column) from None
    head = given if isinstance(given, dict) else {}
    some = head.get("bookings") if isinstance(given, dict) else given
    if not isinstance(some, list):
        raise InputError("an object with a list of bookings, or such a list", _kind(given))
    check_count(len(some))
    entries = []
    for number, each in enumerate(some):
        where = f"bookings[{number}]"
        if not isinstance(each, dict):
            raise InputError(f"an object with {', '.join(NEEDED)}", _kind(each), where)
        entries.append(_entry(each, where, 0))
    start, end = (
        _instant(head[name], name, 0) if head.get(name) else None for name in ("from", "to")
    )
    if start is not None and end is not None and end <= start:
        raise InputError("a time after from", repr(head["to"]), "to")
    made_at = _instant(head["made_at"], "made_at", 0) if head.get("made_at") else None
    return Plan(in_order(entries), start, end, made_at)


def read_csv(data: bytes) -> Plan:
    """A schedule from CSV; separated by commas, semicolons or tabs.

    Raises:
        InputError: with its line, for anything that cannot be understood.
    """
    check_size(data)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise InputError("text in UTF-8", f"byte {problem.start} that is not") from None
    first = text.partition("\n")[0]
    mark = max(",;\t", key=first.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    entries: list[Entry] = []
    try:
        names = [name.strip().lower() for name in next(rows, [])]
        missing = [name for name in NEEDED if name not in names]
        if missing:
            expected = f"a heading line with {', '.join(NEEDED)}"
            raise InputError(expected, f"none of {', '.join(missing)}", line=1)
        for row in rows:
            if any(cell.strip() for cell in row):
                check_count(len(entries))
                given = dict(zip(names, row, strict=False))
                entries.append(_entry(given, "", rows.line_num))
    except csv.Error as problem:
        raise InputError("CSV", str(problem), line=rows.line_num) from None
    return Plan(in_order(entries))


def _entry(given: Mapping[str, Any], where: str, line: int) -> Entry:
    words = {}
    for name in NEEDED:
        value = given.get(name)
        key = f"{where}.{name}" if where else name
        if not isinstance(value, str) or not value.strip():
            raise InputError("a text", _kind(value), key, line=line)
        words[name] = value.strip()
    prefix = f"{where}." if where else ""
    entry = Entry(
        words["target"],
        words["station"],
        _instant(words["from"], f"{prefix}from", line),
        _instant(words["to"], f"{prefix}to", line),
        line=line,
    )
    if entry.end <= entry.start:
        raise InputError("a time after from", repr(words["to"]), f"{prefix}to", line=line)
    return entry


def _instant(value: Any, key: str, line: int) -> float:
    try:
        return instants.from_text(value)
    except (ValueError, TypeError, AttributeError, OverflowError):
        expected = "a UTC time such as 2026-11-25T10:03:04Z"
        raise InputError(expected, repr(value)[:60], key, line=line) from None


def _kind(value: Any) -> str:
    names = {dict: "an object", list: "a list", str: "an empty text", type(None): "nothing"}
    return names.get(type(value), "a number")
