"""What is asked of stations: a request for antenna time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from contactd.core.intervals import IntervalSet

LEAST_DURATION_S = 60.0
MOST_DURATION_S = 3600.0
MOST_PRIORITY = 1000
LATENESS_S = 60.0
"""A stop that ends no more than this before the latest moment counts as if it ended then."""


@dataclass(frozen=True, slots=True)
class Request:
    """Contacts of one target that are wanted, and what they count.

    Attributes:
        target, name: which request it is; a target may have several, each of its own name.
        service: what the contacts are for: only its coverage counts; "" for any service.
        priority: from 1 on; a contact of priority 10 counts as much as ten of priority 1.
        least_duration_s: a contact shorter than this is of no use.
        most_duration_s: time in view that is longer than this is given in parts no longer.
        count: how many contacts are wanted, and no more; None for as many as can be had.
        per_day: whether the count is meant for each UTC day, or for the whole span.
        least_spacing_s: from the end of one of its contacts to the beginning of the next. If None,
            they do not overlap where a count is given; where as many as can be had are wanted,
            several stations may have the target at once.
        not_before, deadline: instants (s) between which its contacts must lie.
        stations: the only stations that will do; empty for all.
        preferred: stations that are liked better than the others.
        handover_overlap_s: contacts of several stations, one after the other, may be put together
            to reach the least duration if they overlap by so much; None if they may not.
        stations_at_once: how many stations must have the target at the same time.
        urgent: it goes before everything that is not: a stop-by, or a step's need; and the higher
            its priority, before all urgent ones of a lower, however many they are.
        sure: only coverage that is certain whatever the elements' timing error counts.
        late: the later a contact ends before the deadline the better, in steps of ``LATENESS_S``.
        within: if given, nothing counts but these instants, by station.
        why: what it is for, in words, where the name does not say it.
    """

    target: str
    name: str = "contacts"
    service: str = ""
    priority: int = 1
    least_duration_s: float = LEAST_DURATION_S
    most_duration_s: float = MOST_DURATION_S
    count: int | None = None
    per_day: bool = True
    least_spacing_s: float | None = None
    not_before: float = -math.inf
    deadline: float = math.inf
    stations: tuple[str, ...] = ()
    preferred: tuple[str, ...] = ()
    handover_overlap_s: float | None = None
    stations_at_once: int = 1
    urgent: bool = False
    sure: bool = False
    late: bool = False
    within: Mapping[str, IntervalSet] | None = None
    why: str = ""

    def __post_init__(self) -> None:
        assert 1 <= self.priority <= MOST_PRIORITY, "priorities run from 1 to MOST_PRIORITY"
        assert self.least_duration_s > 0, "a contact of no length is of no use"
        assert (self.least_spacing_s or 0.0) >= 0, "contacts cannot lie less than nothing apart"

    @property
    def key(self) -> tuple[str, str]:
        """Target and name."""
        return self.target, self.name

    @property
    def spacing_s(self) -> float | None:
        """What keeps its contacts apart; None if nothing does."""
        if self.least_spacing_s is None and self.count is not None:
            return 0.0
        return self.least_spacing_s

    @property
    def in_parts(self) -> bool:
        """Whether one contact of it may be made of several stations' time."""
        return self.handover_overlap_s is not None or self.stations_at_once > 1
