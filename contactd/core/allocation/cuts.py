"""Moments at which a contact need begin at the latest: every schedule can be moved up to them.

Take any schedule and move each contact earlier until something stops it: its own coverage begins,
another contact at the antenna ends (teardown and setup between), or another contact of its own
request (its spacing between). Each then begins at one of finitely many moments, lasts no longer
than it must, and no contact is lost: the argument of left-shifted schedules (common practice, no
source). Found are those moments, chains of them included, until there are no more of them or there
would be too many; ``Starts.complete`` says which.

A stop is worth its lateness, so that it may only be moved up within its step of lateness: where
each of these steps begins is a moment too.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.milliseconds import ROUGHLY_S, after, earliest, nearest
from contactd.core.allocation.opportunities import SHORTEST_S, Opportunities
from contactd.core.allocation.request import LATENESS_S

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

MOST_ROUNDS = 24
"""Chains of contacts that only just follow each other are not longer than this."""
MOST_STARTS = 60_000
STARTS_OF_EACH, STARTS_OF_ALL = 8, 600
"""No more starts than these for each opportunity, and beside them for all together."""
MOST_STEPS = 30
"""Of one stop's lateness within one time in view."""
_MS = 1000.0


@dataclass(frozen=True, slots=True)
class Starts:
    """Where contacts may begin.

    Attributes:
        opportunity: index, ascending, shape ``[m]``.
        at: instants (s), ascending within each opportunity, shape ``[m]``.
        complete: whether no schedule needs any other.
        urgent_complete: whether none of urgent requests alone does.
    """

    opportunity: IndexArray
    at: FloatArray
    complete: bool
    urgent_complete: bool

    def of(self, opportunity: int) -> FloatArray:
        """Those of one opportunity."""
        low, high = np.searchsorted(self.opportunity, [opportunity, opportunity + 1])
        return self.at[low:high]


@dataclass(frozen=True, slots=True)
class Rules:
    """What keeps contacts apart, by opportunity and by request.

    Attributes:
        target: of each request, an index.
        gap_s: of each station: teardown and setup between two contacts.
        moments: instants (s) at which any contact might begin: now, the end of frozen time.
        ends: contacts that may stay as they were: station, target, end (instants, s); ``[k, 3]``.
    """

    target: IndexArray
    gap_s: FloatArray
    moments: tuple[float, ...]
    ends: FloatArray


def find_starts(opportunities: Opportunities, rules: Rules, most: int = MOST_STARTS) -> Starts:
    """Where each opportunity's contact may begin.

    Args:
        most: no more starts than these are looked at.
    """
    most = min(most, STARTS_OF_EACH * len(opportunities) + STARTS_OF_ALL)
    # What is urgent first: of that all starts, if need be at the expense of the others'.
    urgent = np.array([each.urgent for each in opportunities.requests], dtype=np.bool_)
    first = _Search(opportunities, rules, urgent[opportunities.request])
    known, urgent_complete = first.closed(first.first(), most)
    search = _Search(opportunities, rules, np.ones(len(opportunities), dtype=np.bool_))
    known, complete = search.closed(np.union1d(known, search.first()), most)
    member, at = search.split(known)
    return Starts(member, at, complete and urgent_complete, urgent_complete)


class _Search:
    """Starts as whole numbers: opportunity, then milliseconds from the first of all."""

    def __init__(self, opportunities: Opportunities, rules: Rules, members: BoolArray) -> None:
        self.rules = rules
        self.members = members
        self.given = opportunities
        self.base = np.floor(opportunities.usable_from.min()) if len(opportunities) else 0.0
        asked = opportunities.requests
        request = opportunities.request
        self.least_s = np.array([each.least_duration_s for each in asked])[request]
        self.target = rules.target[request]
        overlap = [each.handover_overlap_s for each in asked]
        self.handed = np.array([each is not None for each in overlap], dtype=np.bool_)[request]
        self.overlap_s = np.array([each or 0.0 for each in overlap])[request]
        self.at_once = np.array([each.stations_at_once > 1 for each in asked], np.bool_)[request]
        self.opens = earliest(opportunities.usable_from)
        self.last = np.where(
            self.handed,
            opportunities.usable_to - SHORTEST_S,
            opportunities.usable_to - self.least_s,
        )
        self.at_station = _Groups(opportunities.station, self.opens, self.last)
        self.of_target = _Groups(self.target, self.opens, self.last)
        self.spacings = {
            number: sorted(
                {
                    each.spacing_s
                    for each, whose in zip(asked, rules.target.tolist(), strict=True)
                    if whose == number and each.spacing_s is not None
                }
            )
            for number in set(rules.target.tolist())
        }
        several = np.bincount(rules.target, minlength=int(rules.target.max(initial=0)) + 1) > 1
        self.shares = several[self.target] | self.at_once | self.handed

    def closed(self, known: IndexArray, most: int) -> tuple[IndexArray, bool]:
        """These starts and all that follow from them; and whether there was room for all."""
        fresh = known
        for _ in range(MOST_ROUNDS):
            found = np.setdiff1d(self.following(fresh), known)
            if not len(found):
                return known, True
            if len(known) + len(found) > most:
                return self.trimmed(known, found, most), False
            known, fresh = np.union1d(known, found), found
        return known, False

    def key(self, member: IndexArray, at: FloatArray) -> IndexArray:
        return np.asarray(
            (member.astype(np.int64) << 40) + np.rint((at - self.base) * _MS).astype(np.int64)
        )

    def split(self, keys: IndexArray) -> tuple[IndexArray, FloatArray]:
        member = (keys >> 40).astype(np.intp)
        return member, nearest(self.base + (keys & ((1 << 40) - 1)) / _MS)

    def first(self) -> IndexArray:
        """Where coverage begins, where lateness has a step, and what stands already."""
        given, rules = self.given, self.rules
        every = np.flatnonzero(self.members)
        found = [self.key(every, self.opens[every]), *self._steps()]
        for moment in rules.moments:
            found.append(
                self._reached(self.at_station, given.station, earliest(np.array([moment])))
            )
        for station, target, end in rules.ends.tolist():
            free = after(np.array([end + rules.gap_s[int(station)]]))
            found.append(self._stabbed(self.at_station, np.array([int(station)]), free))
            for spacing_s in self.spacings.get(int(target), ()):
                free = after(np.array([end + spacing_s]))
                found.append(self._stabbed(self.of_target, np.array([int(target)]), free))
        return np.unique(np.concatenate(found))

    def _reached(self, groups: _Groups, group: IndexArray, at: FloatArray) -> IndexArray:
        which = np.unique(group)
        return self._stabbed(groups, which, np.repeat(at, len(which)))

    def _steps(self) -> Iterable[IndexArray]:
        given = self.given
        for number, request in enumerate(given.requests):
            mine = np.flatnonzero(given.request == number)
            if not request.late or not len(mine):
                continue
            until = given.usable_to[mine].max()
            for one in mine.tolist():
                last = given.usable_to[one] >= until
                steps = int((until - given.usable_from[one]) / LATENESS_S) + 1 if last else 0
                ends = until - LATENESS_S * np.arange(min(steps, MOST_STEPS))
                starts = after(np.append(ends, given.usable_to[one]) - request.least_duration_s)
                starts = np.minimum(starts, earliest(self.last[one : one + 1])[0])
                fits = starts > self.opens[one]
                yield self.key(np.full(int(fits.sum()), one, np.intp), starts[fits])

    def following(self, keys: IndexArray) -> IndexArray:
        """Where others may begin at once after these."""
        member, at = self.split(keys)
        begins = np.maximum(at, self.given.usable_from[member])
        ends = after(begins + self.least_s[member])
        whole = ends <= self.given.last[member] + ROUGHLY_S
        station = self.given.station[member]
        found = [self._after(member[whole], station[whole], ends[whole])]
        if self.shares.any():
            found += self._shared(member, at, ends)
        return np.unique(np.concatenate(found))

    def _after(self, member: IndexArray, station: IndexArray, ends: FloatArray) -> IndexArray:
        found = [self._stabbed(self.at_station, station, after(ends + self.rules.gap_s[station]))]
        target = self.target[member]
        for number in np.unique(target).tolist():
            mine = target == number
            for spacing_s in self.spacings.get(number, ()):
                free = after(ends[mine] + spacing_s)
                found.append(self._stabbed(self.of_target, target[mine], free))
        return np.concatenate(found)

    def _shared(self, member: IndexArray, at: FloatArray, ends: FloatArray) -> Iterable[IndexArray]:
        """One grant may serve several requests, and one contact be made of several stations'."""
        shares = self.shares[member]
        yield self._stabbed(self.of_target, self.target[member[shares]], at[shares])
        handed = np.flatnonzero(self.handed[member])
        over = after(at + self.overlap_s[member])
        for end in (ends[handed], over[handed]):
            number, other = self.of_target.stabbed(self.target[member[handed]], end)
            yield self._after(member[handed][number], self.given.station[other], end[number])

    def _stabbed(self, groups: _Groups, group: IndexArray, at: FloatArray) -> IndexArray:
        number, member = groups.stabbed(group, at)
        mine = self.members[member]
        return self.key(member[mine], at[number[mine]])

    def trimmed(self, known: IndexArray, found: IndexArray, most: int) -> IndexArray:
        """Some of what was found: as many of each opportunity, the earliest of them."""
        member = found >> 40
        rank = np.arange(len(found)) - np.searchsorted(member, member, side="left")
        room = max(most - len(known), 0)
        counts = np.cumsum(np.bincount(rank))
        deepest = int(np.searchsorted(counts, room, side="right"))
        return np.union1d(known, found[rank < deepest])


class _Groups:
    """Spans in groups, to find those that hold a moment."""

    def __init__(self, group: IndexArray, opens: FloatArray, last: FloatArray) -> None:
        self.order = np.lexsort((opens, group))
        self.opens, self.last = opens[self.order], last[self.order]
        groups, self.low = np.unique(group[self.order], return_index=True)
        self.high = np.append(self.low[1:], len(group))[: len(groups)]
        self.place = {int(each): number for number, each in enumerate(groups.tolist())}
        self.reach = self.last.copy()
        for low, high in zip(self.low.tolist(), self.high.tolist(), strict=True):
            self.reach[low:high] = np.maximum.accumulate(self.last[low:high])

    def stabbed(self, group: IndexArray, at: FloatArray) -> tuple[IndexArray, IndexArray]:
        """Pairs of a moment's number and a span of its group that it lies within, not at its
        very beginning."""
        numbers, members = [np.zeros(0, np.intp)], [np.zeros(0, np.intp)]
        if not len(group):
            return numbers[0], members[0]
        order = np.argsort(group, kind="stable")
        which, begins = np.unique(group[order], return_index=True)
        for each, mine in zip(which.tolist(), np.split(order, begins[1:]), strict=True):
            if each not in self.place:
                continue
            low, high = self.low[self.place[each]], self.high[self.place[each]]
            moments = at[mine]
            first = low + np.searchsorted(self.reach[low:high], moments - ROUGHLY_S, side="left")
            until = low + np.searchsorted(self.opens[low:high], moments, side="left")
            count = np.maximum(until - first, 0)
            number = np.repeat(np.arange(len(mine)), count)
            place = (
                first[number] + np.arange(len(number)) - np.repeat(np.cumsum(count) - count, count)
            )
            holds = self.last[place] >= moments[number] - ROUGHLY_S
            numbers.append(mine[number[holds]])
            members.append(self.order[place[holds]])
        return np.concatenate(numbers), np.concatenate(members)
