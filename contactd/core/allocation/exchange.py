"""What would have to go for an offer that was not taken.

An offer that was not taken could be if the offers that exclude it went. Where the allocation is
proved to be the best, those count at least as much as it does: otherwise the exchange would be
better still. So they are the reason, and their points are the measure.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.offers import Offers
from contactd.core.allocation.opportunities import Opportunities
from contactd.core.allocation.problem import Problem

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

MOST_STRETCHES = 6
"""Of one opportunity, no more stretches than these are looked at: the longest and the shortest."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """What would have to go for an offer, and what either side counts, tier by tier."""

    offer: int
    gone: tuple[int, ...]
    costs: tuple[int, ...]
    counts: tuple[int, ...]

    @property
    def margin(self) -> tuple[int, ...]:
        """How much worse the allocation would be for it."""
        return tuple(cost - count for cost, count in zip(self.costs, self.counts, strict=True))


class Exchanges:
    """Looks at what stands against offers in an allocation.

    Args:
        taken: the offers of the allocation, mask of shape ``[n]``.
        room: contacts that each period wants, infinity for as many as can be had.
    """

    def __init__(
        self,
        problem: Problem,
        offers: Offers,
        opportunities: Opportunities,
        taken: BoolArray,
        room: FloatArray,
    ) -> None:
        self.problem = problem
        self.offers = offers
        self.opportunities = opportunities
        self.taken = taken
        self.room = room
        order = np.argsort(offers.serve_opportunity, kind="stable")
        self._ordered = offers.serve_offer[order]
        self._bounds = np.searchsorted(
            offers.serve_opportunity[order], np.arange(len(opportunities) + 1)
        )

    def possible(self, opportunities: IndexArray) -> IndexArray:
        """Those of the opportunities for which there is an offer."""
        return opportunities[self._bounds[opportunities + 1] > self._bounds[opportunities]]

    def cheapest(self, opportunity: int) -> Exchange:
        """The exchange that costs least, of the offers that serve an opportunity."""
        candidates = self._ordered[self._bounds[opportunity] : self._bounds[opportunity + 1]]
        if len(candidates) > MOST_STRETCHES:
            length = self.offers.end[candidates] - self.offers.start[candidates]
            order = np.argsort(length, kind="stable")
            half = MOST_STRETCHES // 2
            candidates = candidates[np.concatenate([order[:half], order[-half:]])]
        looked = (self._exchange(int(each)) for each in candidates)
        return min(looked, key=lambda each: (each.margin, each.offer))

    def serves_of(self, offer: int) -> range:
        """Rows of what an offer serves."""
        low, high = np.searchsorted(self.offers.serve_offer, [offer, offer + 1])
        return range(int(low), int(high))

    def _exchange(self, offer: int) -> Exchange:
        gone = set(self._in_the_way(offer))
        for room, members in self._full(offer):
            left = [each for each in members if each not in gone and each != offer]
            least = sorted(left, key=lambda each: (self._points(each), each))
            gone.update(least[: max(len(left) - room + 1, 0)])
        each_tier = zip(*(self._points(each) for each in gone), strict=True)
        costs = tuple(sum(tier) for tier in each_tier) or (0,) * len(self.problem.points)
        return Exchange(offer, tuple(sorted(gone)), costs, self._points(offer))

    def _points(self, offer: int) -> tuple[int, ...]:
        return tuple(int(value) for value in self.problem.points[:, offer])

    def _in_the_way(self, offer: int) -> list[int]:
        """Offers taken that share an instant of an antenna, or lie within a request's spacing."""
        low, high = np.searchsorted(self.offers.piece_offer, [offer, offer + 1])
        rests = self.problem.apart[1]
        first, last = np.searchsorted(rests.offer, [offer, offer + 1])
        ranges = range(int(low), int(high)), range(int(first), int(last))
        found: list[int] = []
        for family, taken, mine in zip(self.problem.apart, self._in_groups, ranges, strict=True):
            for at in mine:
                row = taken.get(int(family.group[at]), [])
                # They lie apart: what ends first begins first.
                first = bisect_right(row, family.start[at], key=lambda each: each[1])
                last = bisect_left(row, family.end[at], key=lambda each: each[0])
                found += [each[2] for each in row[first:last] if each[2] != offer]
        return found

    def _full(self, offer: int) -> list[tuple[int, list[int]]]:
        """Opportunities and periods of the offer without room: their room, and what has it."""
        found = []
        for at in self.serves_of(offer):
            opportunity = int(self.offers.serve_opportunity[at])
            period = int(self.opportunities.period[opportunity])
            found.append((1, self._once.get(opportunity, [])))
            if np.isfinite(self.room[period]):
                found.append((int(self.room[period]), self._in_period.get(period, [])))
        return [(room, taken) for room, taken in found if len(taken) >= room]

    @cached_property
    def _in_groups(self) -> list[dict[int, list[tuple[float, float, int]]]]:
        """Of antennas and of requests: the intervals of offers taken, by group."""
        found = []
        for family in self.problem.apart:
            groups: dict[int, list[tuple[float, float, int]]] = {}
            for at in np.flatnonzero(self.taken[family.offer]).tolist():
                interval = float(family.start[at]), float(family.end[at]), int(family.offer[at])
                groups.setdefault(int(family.group[at]), []).append(interval)
            found.append({group: sorted(row) for group, row in groups.items()})
        return found

    @cached_property
    def _once(self) -> dict[int, list[int]]:
        """Offers taken, by the opportunity that they serve."""
        return self._taken_by(self.offers.serve_opportunity)

    @cached_property
    def _in_period(self) -> dict[int, list[int]]:
        """Offers taken, by the period of what they serve."""
        return self._taken_by(self.opportunities.period[self.offers.serve_opportunity])

    def _taken_by(self, group: IndexArray) -> dict[int, list[int]]:
        found: dict[int, list[int]] = {}
        for at in np.flatnonzero(self.taken[self.offers.serve_offer]).tolist():
            found.setdefault(int(group[at]), []).append(int(self.offers.serve_offer[at]))
        return found
