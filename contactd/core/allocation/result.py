"""What stations are given to do: grants, what was lost to whom, and coverage cut down to them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import EMPTY, IntervalSet

Granted = Mapping[str, IntervalSet]
"""Antenna time of one target, by station."""


class How(StrEnum):
    """How a grant stands to what was granted before."""

    NEW = "new"
    KEPT = "kept"
    MOVED = "moved"  # the same contact, from or until another moment
    FROZEN = "frozen"  # too near to be moved


@dataclass(frozen=True, slots=True)
class Grant:
    """Antenna time of one station for one target.

    Attributes:
        start, end: instants (s) from which until which the antenna follows the target; setup and
            teardown lie outside.
        requests: names of the target's requests that it serves.
        priority: the highest of theirs.
        urgent: whether one of them goes before everything.
        takes_over_from: the station that hands the target over, within one contact; "" if none.
    """

    target: str
    station: str
    start: float
    end: float
    requests: tuple[str, ...] = ()
    priority: int = 1
    urgent: bool = False
    how: How = How.NEW
    takes_over_from: str = ""

    @property
    def duration_s(self) -> float:
        """Seconds from start to end."""
        return self.end - self.start


@dataclass(frozen=True, slots=True)
class Lost:
    """A contact that a request would have had, and why it has not.

    Attributes:
        start, end: instants (s) of the contact as it might have been.
        to: the grants that would have to go for it.
        because: a sentence.
    """

    station: str
    start: float
    end: float
    to: tuple[Grant, ...]
    because: str


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A request that has less than it wants, in one day or in all.

    Attributes:
        start, end: instants (s) of the time that the count is meant for.
        wanted: contacts wanted; where as many as can be had are, those there would have been.
        granted: contacts it has.
        lost: the contacts it comes nearest to having, with reasons, at most ``MOST_LOST``.
        because: one sentence for all of it.
    """

    target: str
    request: str
    start: float
    end: float
    wanted: int
    granted: int
    priority: int
    urgent: bool
    lost: tuple[Lost, ...]
    because: str


MOST_LOST = 3


@dataclass(frozen=True, slots=True)
class Worth:
    """What an allocation counts, tier by tier: the first goes before all the others together.

    Attributes:
        urgent: points of stop-bys and steps' needs.
        frozen: points of grants that are too near to be moved.
        ordinary: points of everything else.
    """

    urgent: int = 0
    frozen: int = 0
    ordinary: int = 0


@dataclass(frozen=True, slots=True)
class Allocation:
    """Who has which station when.

    Attributes:
        at: instant (s) that it was made for.
        span: (start, end) instants (s) within which antenna time was given.
        stations: names of those whose time was given.
        since: instant (s) from which station time is allocated at all; what lies before is ours.
        grants: in the order of their starts, with those that are over.
        shortfalls: requests that have less than they want.
        worth: of the grants.
        most_worth: nothing better than this is possible; equal to ``worth`` where it is proved to
            be the best.
        frozen_until: no other than urgent contacts begin before this instant (s) unless they were
            granted before; None if nothing was.
        dropped: grants made before that are there no more.
    """

    at: float
    span: tuple[float, float]
    stations: tuple[str, ...] = ()
    since: float = -math.inf
    grants: tuple[Grant, ...] = ()
    shortfalls: tuple[Shortfall, ...] = ()
    worth: Worth = Worth()
    most_worth: Worth = Worth()
    frozen_until: float | None = None
    dropped: tuple[Grant, ...] = ()

    @property
    def is_best(self) -> bool:
        """Whether it is proved that nothing better is possible."""
        return self.worth == self.most_worth

    @property
    def gap(self) -> float:
        """By what part of the best possible it may fall short, from 0 to 1."""
        most = self.most_worth.ordinary
        return (most - self.worth.ordinary) / most if most > 0 else 0.0

    def granted(self, target: str) -> dict[str, IntervalSet]:
        """Antenna time of a target, by station: its grants, and all that nobody has allocated.

        That is what lies before ``since`` and what lies after the span.
        """
        free = IntervalSet([-math.inf, self.span[1]], [self.since, math.inf])
        mine = by_station(each for each in self.grants if each.target == target)
        return {name: mine.get(name, EMPTY) | free for name in self.stations}


def by_station(grants: Iterable[Grant]) -> dict[str, IntervalSet]:
    """Antenna time by station, whatever the target."""
    spans: dict[str, list[tuple[float, float]]] = {}
    for grant in grants:
        spans.setdefault(grant.station, []).append((grant.start, grant.end))
    return {station: IntervalSet.of(pairs) for station, pairs in sorted(spans.items())}


def allocated(
    coverage: Mapping[str, Mapping[str, Coverage]], granted: Granted
) -> dict[str, dict[str, Coverage]]:
    """Coverage cut down to the antenna time that was granted.

    Args:
        coverage: by service, then by station.
        granted: by station; a station that is not in it gives nothing.

    Returns:
        The same shape: every service and station that was given.
    """
    return {
        service: {
            station: each.within(granted.get(station, EMPTY)) for station, each in stations.items()
        }
        for service, stations in coverage.items()
    }
