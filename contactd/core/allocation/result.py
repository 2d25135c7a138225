"""What stations are given to do: grants, what was lost to whom, and coverage cut down to them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from contactd.core.allocation.problem import Tier, TierKind
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


@dataclass(frozen=True, slots=True)
class EarlierStop:
    """A step that must be stopped earlier than if every contact were its target's, or cannot be.

    Attributes:
        without, without_station: the stop-by (instant, s) and its station if nobody else wanted
            antennas.
        stop_by, stop_station: those there are; None and "" where no certain stop is left.
        hazard: whether the step is hazardous. people_near: whether people are near then.
        to: others' grants in the command window in which the last stop would have been sent.
    """

    target: str
    sequence: str
    step: str
    without: float
    without_station: str
    stop_by: float | None
    stop_station: str
    hazard: bool
    people_near: bool
    to: tuple[Grant, ...]


MOST_LOST = 3


@dataclass(frozen=True, slots=True)
class Reached:
    """What an allocation has of one tier.

    Attributes:
        worth: of the grants.
        most: no allocation that has as much of the tiers before has more; equal to ``worth`` where
            that is proved to be the best.
    """

    tier: Tier
    worth: int
    most: int

    @property
    def gap(self) -> float:
        """By what part of the most it may fall short, from 0 to 1."""
        return (self.most - self.worth) / self.most if self.most > 0 else 0.0


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
        tiers: what it has of each tier, and what it could have at the most.
        earlier_stops: steps whose stop-by others' grants make earlier by more than a minute.
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
    tiers: tuple[Reached, ...] = ()
    earlier_stops: tuple[EarlierStop, ...] = ()
    frozen_until: float | None = None
    dropped: tuple[Grant, ...] = ()

    @property
    def is_best(self) -> bool:
        """Whether it is proved that nothing that counts before comfort can be better."""
        return all(each.worth == each.most for each in self._without_comfort)

    @property
    def unproved(self) -> tuple[Reached, ...]:
        """Tiers of which more may be possible, comfort among them; seconds of lateness are not."""
        known = (each for each in self.tiers if each.tier.kind is not TierKind.SECONDS)
        return tuple(each for each in known if each.worth < each.most)

    @property
    def gap(self) -> float:
        """By what part of the best possible it may fall short, from 0 to 1, where it does so
        first; comfort is not looked at."""
        return next((each.gap for each in self._without_comfort if each.gap > 0), 0.0)

    @property
    def _without_comfort(self) -> tuple[Reached, ...]:
        least = (TierKind.SECONDS, TierKind.COMFORT)
        return tuple(each for each in self.tiers if each.tier.kind not in least)

    def reached(self, kind: TierKind) -> int:
        """Points of all tiers of a kind."""
        return sum(each.worth for each in self.tiers if each.tier.kind is kind)

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
