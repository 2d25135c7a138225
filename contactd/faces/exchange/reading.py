"""Reading a schedule that somebody sent: its format by its looks, its names made ours."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from contactd.core.allocation.schedule import Booking, Schedule
from contactd.core.errors import InputError
from contactd.faces.exchange.plain import read_csv, read_json
from contactd.faces.exchange.plan import Entry, Plan
from contactd.faces.exchange.simple_schedule import read_simple_schedule

ROUNDED_S = 2e-3
"""Contacts that touch, each rounded outward to the millisecond, overlap by no more than this."""
FORMATS = {
    "ccsds": read_simple_schedule,
    "json": read_json,
    "csv": read_csv,
}


def format_of(data: bytes) -> str:
    """Which of :data:`FORMATS` it looks like."""
    begins = data.lstrip(b"\xef\xbb\xbf \t\r\n")[:1]
    return "ccsds" if begins == b"<" else "json" if begins in (b"{", b"[") else "csv"


def read_plan(data: bytes) -> Plan:
    """The schedule, whatever its format.

    Raises:
        InputError: if it cannot be understood.
    """
    return FORMATS[format_of(data)](data)


@dataclass(frozen=True, slots=True)
class Understood:
    """What of a schedule is ours.

    Attributes:
        schedules: one for each station that it speaks of.
        others: names of users that are no targets here, and how many contacts each has.
        elsewhere: names of stations that are none here, and how many contacts each has.
        span_is_said: whether the schedule, or somebody here, says what time it speaks for; else
            it is that from its first contact to its last.
    """

    schedules: tuple[Schedule, ...]
    others: Mapping[str, int]
    elsewhere: Mapping[str, int]
    span_is_said: bool


def understand(
    plan: Plan,
    targets: Sequence[str],
    stations: Sequence[str],
    named: Mapping[str, str],
    also: Sequence[str] = (),
    start: float | None = None,
    end: float | None = None,
) -> Understood:
    """What a schedule says about stations and targets here.

    Args:
        targets, stations: the names here; capitals do not matter.
        named: what their names mean here, where they are others.
        also: stations that it speaks for though it has nothing of them.
        start, end: instants (s) that it speaks for; None as it says itself.

    Raises:
        InputError: if it does not say what time it speaks for and has no contact either, or if
            two contacts here overlap at one station.
    """
    start, end = plan.start if start is None else start, plan.end if end is None else end
    said = start is not None and end is not None
    if not said and not plan.entries:
        raise InputError("contacts, or the time that it speaks for (--from, --to)", "neither")
    if start is None:
        start = min(each.opens if each.opens is not None else each.start for each in plan.entries)
    if end is None:
        end = max(each.closes if each.closes is not None else each.end for each in plan.entries)
    if end <= start:
        raise InputError("a time after --from", "one that is not", "--to")
    mine: dict[str, list[tuple[Entry, Booking]]] = {name: [] for name in also}
    others: dict[str, int] = {}
    elsewhere: dict[str, int] = {}
    for entry in plan.entries:
        station = _ours(entry.aperture, stations, named) or _ours(entry.station, stations, named)
        target = _ours(entry.target, targets, named)
        if not station:
            elsewhere[entry.station] = elsewhere.get(entry.station, 0) + 1
            continue
        some = mine.setdefault(station, [])
        if target:
            some.append((entry, Booking(target, station, entry.start, entry.end)))
        else:
            others[entry.target] = others.get(entry.target, 0) + 1
    schedules = []
    for station, some in sorted(mine.items()):
        _check_apart(some)
        schedules.append(Schedule(station, start, end, tuple(booking for _, booking in some)))
    return Understood(tuple(schedules), others, elsewhere, said)


def _ours(word: str, known: Sequence[str], named: Mapping[str, str]) -> str:
    word = named.get(word, word)
    if word in known:
        return word
    folded = [name for name in known if name.casefold() == word.casefold()]
    return folded[0] if len(folded) == 1 else ""


def _check_apart(some: Sequence[tuple[Entry, Booking]]) -> None:
    """Refuse two different targets at one antenna at one moment."""
    before: tuple[Entry, Booking] | None = None
    for entry, booking in sorted(some, key=lambda each: each[1].start):
        overlaps = before is not None and booking.start < before[1].end - ROUNDED_S
        if before is not None and overlaps and booking.target != before[1].target:
            raise InputError(
                f"one target at a time at {booking.station}",
                f"{before[1].target} and {booking.target} at once",
                line=entry.line,
            )
        if before is None or booking.end > before[1].end:
            before = entry, booking
