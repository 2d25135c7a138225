"""How a station's schedule differs from what it was asked for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum

from contactd.core.allocation.schedule import Booking, Schedule
from contactd.core.sequences.verdict import duration_text

SAME_S = 1.0
"""Times of schedules are written to the second."""


class Kind(StrEnum):
    """What became of what was asked for."""

    AS_ASKED = "as asked"
    LONGER = "longer"
    SHORTER = "shorter"
    MOVED = "moved"  # earlier or later, at both ends
    REFUSED = "refused"
    UNASKED = "unasked"


@dataclass(frozen=True, slots=True)
class Difference:
    """One contact as it was asked for, and as it was given.

    Attributes:
        asked, given: None where there is none.
        text: a sentence for people.
    """

    kind: Kind
    target: str
    station: str
    asked: Booking | None
    given: Booking | None
    text: str

    @property
    def start(self) -> float:
        """Instant (s) from which either has the antenna."""
        return min(each.start for each in (self.asked, self.given) if each is not None)


def compare(
    asked: Iterable[Booking], schedule: Schedule, tolerance_s: float = SAME_S
) -> tuple[Difference, ...]:
    """What became of everything that a station was asked for, in the order of time.

    Both count as far as they lie within the schedule's span. What touches, of one target, is one
    contact, on either side. Of one target, each contact asked for goes with the one
    given that has most in common with it; each is used once.

    Args:
        asked: of any station; others' are passed over.
        tolerance_s: ends that differ by no more are the same.
    """
    wanted = [each for each in asked if each.station == schedule.station]
    pairs = _paired(
        _joined(_within(wanted, schedule), tolerance_s),
        _joined(_within(schedule.bookings, schedule), tolerance_s),
    )
    found = [_difference(one, other, tolerance_s) for one, other in pairs]
    return tuple(sorted(found, key=lambda each: (each.start, each.target)))


def _within(bookings: Iterable[Booking], schedule: Schedule) -> list[Booking]:
    """What of the bookings lies within a schedule's span."""
    return [
        replace(each, start=max(each.start, schedule.start), end=min(each.end, schedule.end))
        for each in bookings
        if each.end > schedule.start and each.start < schedule.end
    ]


def _joined(bookings: Iterable[Booking], tolerance_s: float) -> list[Booking]:
    """Contacts with those joined that follow each other without a pause."""
    joined: list[Booking] = []
    for each in sorted(bookings, key=lambda one: (one.target, one.start)):
        last = joined[-1] if joined else None
        if last and last.target == each.target and each.start <= last.end + tolerance_s:
            joined[-1] = replace(last, end=max(last.end, each.end))
        else:
            joined.append(each)
    return joined


def _paired(
    asked: list[Booking], given: list[Booking]
) -> list[tuple[Booking | None, Booking | None]]:
    common = sorted(
        (
            (min(one.end, other.end) - max(one.start, other.start), -row, -column)
            for row, one in enumerate(asked)
            for column, other in enumerate(given)
            if one.target == other.target
        ),
        reverse=True,
    )
    pairs: list[tuple[Booking | None, Booking | None]] = []
    rows, columns = set(range(len(asked))), set(range(len(given)))
    for shared_s, row, column in common:
        if shared_s > 0 and -row in rows and -column in columns:
            rows.remove(-row)
            columns.remove(-column)
            pairs.append((asked[-row], given[-column]))
    pairs += [(asked[row], None) for row in sorted(rows)]
    pairs += [(None, given[column]) for column in sorted(columns)]
    return pairs


def _difference(asked: Booking | None, given: Booking | None, tolerance_s: float) -> Difference:
    either = asked or given
    assert either is not None, "a pair has one of the two at least"
    if given is None:
        kind, text = Kind.REFUSED, "asked for, and not given"
    elif asked is None:
        kind, text = Kind.UNASKED, "given, and not asked for"
    else:
        kind, text = _compared(given.start - asked.start, given.end - asked.end, tolerance_s)
    return Difference(kind, either.target, either.station, asked, given, text)


def _compared(starts_later_s: float, ends_later_s: float, tolerance_s: float) -> tuple[Kind, str]:
    texts = [
        _shift("begins", starts_later_s, tolerance_s),
        _shift("ends", ends_later_s, tolerance_s),
    ]
    text = " and ".join(each for each in texts if each)
    earlier_start, later_start = starts_later_s < -tolerance_s, starts_later_s > tolerance_s
    earlier_end, later_end = ends_later_s < -tolerance_s, ends_later_s > tolerance_s
    if (earlier_start and earlier_end) or (later_start and later_end):
        return Kind.MOVED, text
    if later_start or earlier_end:
        return Kind.SHORTER, text
    if earlier_start or later_end:
        return Kind.LONGER, text
    return Kind.AS_ASKED, "as asked for"


def _shift(what: str, later_s: float, tolerance_s: float) -> str:
    if abs(later_s) <= tolerance_s:
        return ""
    return f"{what} {duration_text(later_s)} {'later' if later_s > 0 else 'earlier'}"
