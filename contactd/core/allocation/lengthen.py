"""How long each contact becomes, when it is known who has which, and in which order.

The offers that were taken are as short as they may be. What room is left between them is given to
those to whom length counts most: a linear program over their starts and ends, whose rows are
differences of two of them, so that its best corner is in whole milliseconds (Ahuja, Magnanti &
Orlin, *Network Flows*, 1993, value from memory). No contact becomes shorter than it must be, none
leaves its coverage, and no stop loses a step of lateness.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.formulation import Promises, steps_lost
from contactd.core.allocation.milliseconds import UNIT_S, earliest, latest, nearest
from contactd.core.allocation.offers import Antennas, Offers
from contactd.core.allocation.opportunities import Opportunities
from contactd.core.allocation.request import LATENESS_S

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]


EARLIER, LATE = 1e-3, 1e6
"""How much less the length of the last counts than that of the first, and how much more than any
length the last moment at which a stop can be sent."""


@dataclass(slots=True)
class _Program:
    """Starts and ends as variables, in whole milliseconds from ``base`` on: start of the k-th
    offer 2k, its end 2k + 1."""

    base: float
    low: FloatArray
    high: FloatArray
    later: list[int] = field(default_factory=list)
    sooner: list[int] = field(default_factory=list)
    apart: list[float] = field(default_factory=list)

    def at_least(self, later: int, sooner: int, apart_s: float) -> None:
        """One variable so long after another at the least."""
        self.later.append(later)
        self.sooner.append(sooner)
        self.apart.append(np.ceil(apart_s / UNIT_S - 1e-3))

    def number(self, instants: FloatArray | float) -> FloatArray:
        return np.rint((np.asarray(instants) - self.base) / UNIT_S)

    def solve(self, weight: FloatArray) -> FloatArray | None:
        from scipy.optimize import linprog
        from scipy.sparse import coo_matrix

        count = len(self.apart)
        row = np.arange(count)
        matrix = coo_matrix(
            (
                np.concatenate([np.ones(count), -np.ones(count)]),
                (np.concatenate([row, row]), np.concatenate([self.sooner, self.later])),
            ),
            shape=(count, len(weight)),
        ).tocsr()
        answer = linprog(
            -weight,
            A_ub=matrix if count else None,
            b_ub=-np.array(self.apart) if count else None,
            bounds=np.stack([self.low, self.high], axis=1),
            method="highs-ds",
        )
        return np.rint(answer.x) if answer.status == 0 else None


def lengthened(
    offers: Offers,
    opportunities: Opportunities,
    antennas: Antennas,
    promises: Promises,
    taken: BoolArray,
    not_before: tuple[float, float],
) -> Offers:
    """The offers with those that are taken as long as they can become.

    Args:
        not_before: instants (s) before which nothing new begins: for urgent ones, for others.
    """
    chosen = np.flatnonzero(taken)
    if not len(chosen):
        return offers
    program = _bounds(offers, opportunities, promises, chosen, not_before)
    _keep_apart(program, offers, opportunities, antennas, chosen)
    found = program.solve(_weights(offers, opportunities, chosen))
    if found is None:
        return offers
    at = nearest(program.base + found * UNIT_S)
    return _moved(offers, opportunities, chosen, at[0::2], at[1::2])


def _bounds(
    offers: Offers,
    opportunities: Opportunities,
    promises: Promises,
    chosen: IndexArray,
    not_before: tuple[float, float],
) -> _Program:
    base = float(np.floor(offers.start[chosen].min()))
    program = _Program(base, np.zeros(2 * len(chosen)), np.zeros(2 * len(chosen)))
    lost = steps_lost(offers, opportunities)
    for number, offer in enumerate(chosen.tolist()):
        pieces = range(*np.searchsorted(offers.piece_offer, [offer, offer + 1]).tolist())
        serves = range(*np.searchsorted(offers.serve_offer, [offer, offer + 1]).tolist())
        request = opportunities.request[offers.serve_opportunity[serves.start : serves.stop]]
        asked = [opportunities.requests[each] for each in request.tolist()]
        start, end = float(offers.start[offer]), float(offers.end[offer])
        edges = np.array([start, start, end, end])
        if not promises.piece_same[pieces.start]:
            opens, closes = _view(offers, opportunities, pieces, serves)
            opens = max(opens, not_before[0 if any(each.urgent for each in asked) else 1])
            edges[0], edges[3] = min(opens, start), max(closes, end)
            if len(pieces) == 1:
                edges[1], edges[2] = np.inf, -np.inf
                _must(program, offers, opportunities, serves, (number, start, end), edges, lost)
            most_s = max(max(each.most_duration_s for each in asked), end - start)
            program.at_least(2 * number, 2 * number + 1, -min(most_s, 1e7))
        low_start, high_start, low_end, high_end = edges.tolist()
        sooner = earliest(np.array([high_start, high_end]))
        later = latest(np.array([low_start, low_end]))
        for side in (0, 1):
            program.low[2 * number + side] = program.number(later[side])
            program.high[2 * number + side] = program.number(sooner[side])
    return program


def _must(
    program: _Program,
    offers: Offers,
    opportunities: Opportunities,
    serves: range,
    placed: tuple[int, float, float],
    edges: FloatArray,
    lost: IndexArray,
) -> None:
    """What each request that one station's time serves must have of it."""
    number, start, end = placed
    for at in serves:
        opportunity = int(offers.serve_opportunity[at])
        request = opportunities.requests[opportunities.request[opportunity]]
        least_s = request.least_duration_s
        edges[1] = min(edges[1], max(opportunities.usable_to[opportunity] - least_s, start))
        until = float(opportunities.usable_from[opportunity]) + least_s
        if request.late:
            mine = opportunities.request == opportunities.request[opportunity]
            last = float(opportunities.usable_to[mine].max())
            if opportunities.usable_to[opportunity] >= last:
                until = max(until, last - LATENESS_S * (1 + int(lost[at])))
        edges[2] = max(edges[2], min(until, end))
        program.at_least(2 * number + 1, 2 * number, min(least_s, end - start))


def _view(
    offers: Offers, opportunities: Opportunities, pieces: range, serves: range
) -> tuple[float, float]:
    """From when until when a contact may last, its inner handovers left as they are."""
    served = offers.serve_opportunity[serves.start : serves.stop]
    if len(pieces) == 1:
        return float(opportunities.first[served].min()), float(opportunities.last[served].max())
    firsts, lasts = [], []
    request = opportunities.request[served[0]]
    for piece in pieces:
        mine = (opportunities.request == request) & (
            opportunities.station == offers.piece_station[piece]
        )
        mine &= (opportunities.first <= offers.piece_start[piece] + UNIT_S) & (
            opportunities.last >= offers.piece_end[piece] - UNIT_S
        )
        firsts.append(float(opportunities.first[mine].min(initial=offers.piece_start[piece])))
        lasts.append(float(opportunities.last[mine].max(initial=offers.piece_end[piece])))
    if opportunities.requests[request].stations_at_once > 1:
        return max(firsts), min(lasts)
    return firsts[0], lasts[-1]


def _keep_apart(
    program: _Program,
    offers: Offers,
    opportunities: Opportunities,
    antennas: Antennas,
    chosen: IndexArray,
) -> None:
    """Neighbours at each antenna, and a request's contacts with their spacing, in their order."""
    number = np.full(offers.count, -1, dtype=np.intp)
    number[chosen] = np.arange(len(chosen))
    gap_s = antennas.setup_s + antennas.teardown_s
    mine = np.flatnonzero(number[offers.piece_offer] >= 0)
    mine = mine[np.lexsort((offers.piece_start[mine], offers.piece_station[mine]))]
    for one, other in itertools.pairwise(mine.tolist()):
        if offers.piece_station[one] != offers.piece_station[other]:
            continue
        before, after = offers.piece_offer[one], offers.piece_offer[other]
        if before == after:
            continue
        # What a piece of several keeps within its contact, the contact's ends keep as well.
        short_s = float(offers.end[before] - offers.piece_end[one])
        late_s = float(offers.piece_start[other] - offers.start[after])
        apart_s = float(gap_s[offers.piece_station[one]]) - short_s - late_s
        room_s = float(offers.start[after] - offers.end[before])
        program.at_least(2 * number[after], 2 * number[before] + 1, min(apart_s, room_s))
    serves = np.flatnonzero(number[offers.serve_offer] >= 0)
    request = opportunities.request[offers.serve_opportunity[serves]]
    order = np.lexsort((offers.start[offers.serve_offer[serves]], request))
    for one, other in itertools.pairwise(order.tolist()):
        asked = opportunities.requests[request[one]]
        before, after = offers.serve_offer[serves[one]], offers.serve_offer[serves[other]]
        if request[one] == request[other] and asked.spacing_s is not None and before != after:
            room_s = float(offers.start[after] - offers.end[before])
            program.at_least(
                2 * number[after], 2 * number[before] + 1, min(asked.spacing_s, room_s)
            )


def _weights(offers: Offers, opportunities: Opportunities, chosen: IndexArray) -> FloatArray:
    least = np.array([each.least_duration_s for each in opportunities.requests])
    longest = least + 60.0
    np.maximum.at(longest, opportunities.request, opportunities.last - opportunities.first)
    worth = np.array([1 if each.urgent else each.priority for each in opportunities.requests])
    request = opportunities.request[offers.serve_opportunity]
    each = np.zeros(offers.count)
    np.add.at(each, offers.serve_offer, (worth / (longest - least))[request])
    late = np.array([each.late for each in opportunities.requests], dtype=np.bool_)
    is_late = np.zeros(offers.count, dtype=np.bool_)
    np.logical_or.at(is_late, offers.serve_offer, late[request])
    # Of two that count the same the earlier is longer, so that there is one answer only.
    order = np.argsort(np.argsort(offers.start[chosen], kind="stable"), kind="stable")
    share = 1e3 * each[chosen] / max(float(each[chosen].max()), 1e-9)
    share *= 1.0 - EARLIER * order / len(chosen)
    weight = np.zeros(2 * len(chosen))
    weight[0::2], weight[1::2] = -share, share + np.where(is_late[chosen], LATE, 0.0)
    return weight


def _moved(
    offers: Offers,
    opportunities: Opportunities,
    chosen: IndexArray,
    start: FloatArray,
    end: FloatArray,
) -> Offers:
    first, last = offers.start.copy(), offers.end.copy()
    first[chosen], last[chosen] = start, end
    opens = offers.piece_start <= offers.start[offers.piece_offer]
    closes = offers.piece_end >= offers.end[offers.piece_offer]
    moved = replace(
        offers,
        start=first,
        end=last,
        piece_start=np.where(opens, first[offers.piece_offer], offers.piece_start),
        piece_end=np.where(closes, last[offers.piece_offer], offers.piece_end),
    )
    opportunity = offers.serve_opportunity
    given_s = np.minimum(last[offers.serve_offer], opportunities.last[opportunity]) - np.maximum(
        first[offers.serve_offer], opportunities.first[opportunity]
    )
    several = np.bincount(offers.piece_offer, minlength=offers.count) > 1
    fixed = several[offers.serve_offer]
    return replace(moved, serve_length_s=np.where(fixed, offers.serve_length_s, given_s))
