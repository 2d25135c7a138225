"""From offers to a problem in numbers: what may be taken, what it counts, what excludes what."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation import scoring
from contactd.core.allocation.milliseconds import ROUGHLY_S, UNIT_S
from contactd.core.allocation.offers import Antennas, Offers
from contactd.core.allocation.opportunities import Opportunities, utc_day
from contactd.core.allocation.problem import Intervals, Members, Problem, Tier, TierKind
from contactd.core.allocation.request import LATENESS_S, Request
from contactd.core.allocation.result import Grant

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
PointArray = NDArray[np.int64]

SAME_S = 30.0
"""A grant whose ends move by no more than this is still the same grant."""


@dataclass(frozen=True, slots=True)
class Promises:
    """What was granted before, beside the offers that would keep it.

    Attributes:
        grants: those that are not over.
        serves: whether each of them serves each request, ``[grants, requests]``.
        frozen: whether each of them is too near to be moved.
        piece_grant: of each piece of an offer, the grant that it comes nearest to, or −1.
        piece_alike: 1 where it is that grant, one half where it is some of it.
        piece_same: whether it is that grant, as far as the target is still in view.
        piece_holds: whether it has all of that grant within it.
    """

    grants: tuple[Grant, ...]
    serves: BoolArray
    frozen: BoolArray
    piece_grant: IndexArray
    piece_alike: FloatArray
    piece_same: BoolArray
    piece_holds: BoolArray


def promises_of(
    offers: Offers,
    opportunities: Opportunities,
    antennas: Antennas,
    grants: Sequence[Grant],
    frozen_until: float | None,
) -> Promises:
    """How the offers stand to the grants that were made before."""
    requests = opportunities.requests
    known = {request.key: number for number, request in enumerate(requests)}
    serves = np.zeros((len(grants), len(requests)), dtype=np.bool_)
    for row, grant in enumerate(grants):
        for name in grant.requests:
            if (grant.target, name) in known:
                serves[row, known[grant.target, name]] = True
    count = len(offers.piece_offer)
    nearest, shared = np.full(count, -1, dtype=np.intp), np.zeros(count)
    same, holds = np.zeros(count, dtype=np.bool_), np.zeros(count, dtype=np.bool_)
    key = offers.target[offers.piece_offer] * len(antennas.names) + offers.piece_station
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    of_station = {name: number for number, name in enumerate(antennas.names)}
    of_target = {name: number for number, name in enumerate(offers.targets)}
    first, last = _in_view(offers, opportunities)
    for row, grant in enumerate(grants):
        if grant.target not in of_target or grant.station not in of_station:
            continue
        wanted = of_target[grant.target] * len(antennas.names) + of_station[grant.station]
        low, high = np.searchsorted(ordered, [wanted, wanted + 1])
        mine = order[low:high]
        start, end = offers.piece_start[mine], offers.piece_end[mine]
        common = np.minimum(end, grant.end) - np.maximum(start, grant.start)
        share = common / (np.maximum(end, grant.end) - np.minimum(start, grant.start))
        better = (common > 0) & (share > shared[mine])
        mine, start, end = mine[better], start[better], end[better]
        nearest[mine], shared[mine] = row, share[better]
        begins = np.maximum(grant.start, np.minimum(first[mine], grant.end))
        ends = np.minimum(grant.end, np.maximum(last[mine], grant.start))
        holds[mine] = (start <= begins + SAME_S) & (end >= ends - SAME_S)
        same[mine] = holds[mine] & (start >= begins - SAME_S) & (end <= ends + SAME_S)
    is_near = np.array(
        [frozen_until is not None and grant.start < frozen_until for grant in grants],
        dtype=np.bool_,
    )
    alike = np.where(same, 1.0, np.where(nearest >= 0, 0.5, 0.0))
    return Promises(tuple(grants), serves, is_near, nearest, alike, same, holds)


def _in_view(offers: Offers, opportunities: Opportunities) -> tuple[FloatArray, FloatArray]:
    """From when until when each piece's offer could have the target, by what it serves."""
    first, last = np.full(offers.count, np.inf), np.full(offers.count, -np.inf)
    np.minimum.at(first, offers.serve_offer, opportunities.first[offers.serve_opportunity])
    np.maximum.at(last, offers.serve_offer, opportunities.last[offers.serve_opportunity])
    several = np.bincount(offers.piece_offer, minlength=offers.count)[offers.piece_offer] > 1
    return (
        np.where(several, offers.piece_start, first[offers.piece_offer]),
        np.where(several, offers.piece_end, last[offers.piece_offer]),
    )


def allowed(
    offers: Offers,
    opportunities: Opportunities,
    promises: Promises,
    over: Sequence[Grant],
    now: float,
    frozen_until: float | None,
) -> BoolArray:
    """Which offers may be taken: not in the past, not within frozen time, not too near to others.

    Args:
        over: grants whose time has passed; their requests' spacing counts from them.
    """
    requests = opportunities.requests
    request = opportunities.request[offers.serve_opportunity]
    kept = np.ones(offers.count, dtype=np.bool_)
    np.logical_and.at(kept, offers.piece_offer, promises.piece_same)
    urgent = np.zeros(offers.count, dtype=np.bool_)
    is_urgent = np.array([each.urgent for each in requests], dtype=np.bool_)
    np.logical_or.at(urgent, offers.serve_offer, is_urgent[request])
    fine = (offers.start >= now - 2 * UNIT_S) | kept
    if frozen_until is not None:
        fine &= (offers.start >= frozen_until - 2 * UNIT_S) | kept | urgent
    free_from = np.full(len(requests), -math.inf)
    for number, each in enumerate(requests):
        ends = [g.end for g in over if g.target == each.target and each.name in g.requests]
        if ends:
            free_from[number] = max(ends) + (each.spacing_s or 0.0)
    too_near = offers.start[offers.serve_offer] < free_from[request] - 2 * UNIT_S
    np.logical_and.at(fine, offers.serve_offer, ~too_near)
    return fine


def weigh(
    offers: Offers,
    opportunities: Opportunities,
    antennas: Antennas,
    promises: Promises,
    over: Sequence[Grant],
) -> Problem:
    """The problem that the offers make."""
    requests = opportunities.requests
    request = opportunities.request[offers.serve_opportunity]
    piece = offers.piece_station
    spacing_s = np.array([each.spacing_s or 0.0 for each in requests])
    apart = np.array([each.spacing_s is not None for each in requests], dtype=np.bool_)[request]
    rests = offers.serve_offer[apart]
    antenna = Intervals(
        offers.piece_offer,
        piece,
        offers.piece_start - antennas.setup_s[piece],
        # What only touches does not meet, in spite of rounding.
        offers.piece_end + antennas.teardown_s[piece] - ROUGHLY_S,
        len(antennas.names),
    )
    rest = Intervals(
        rests,
        request[apart],
        offers.start[rests],
        offers.end[rests] + spacing_s[request[apart]] - ROUGHLY_S,
        len(requests),
    )
    once = Members(
        offers.serve_offer, offers.serve_opportunity, np.ones(len(opportunities.request))
    )
    period = opportunities.period[offers.serve_opportunity]
    room = room_of(opportunities, over)
    counted = np.isfinite(room[period]) if len(period) else np.zeros(0, dtype=np.bool_)
    limit = Members(
        offers.serve_offer[counted], period[counted], np.where(np.isfinite(room), room, 0.0)
    )
    tiers = tiers_of(requests)
    points = _points(offers, opportunities, promises, tiers)
    return Problem(tiers, points, apart=(antenna, rest), at_most=(once, limit))


def tiers_of(requests: Sequence[Request]) -> tuple[Tier, ...]:
    """What goes before what: urgent requests by priority, frozen grants, contacts, comfort."""
    found = []
    for priority in sorted({each.priority for each in requests if each.urgent}, reverse=True):
        found.append(Tier(TierKind.SERVED, priority))
        if any(each.urgent and each.late and each.priority == priority for each in requests):
            found.append(Tier(TierKind.LATENESS, priority))
            found.append(Tier(TierKind.SECONDS, priority))
    rest = (TierKind.FROZEN, TierKind.CONTACTS, TierKind.COMFORT)
    return (*found, *(Tier(kind) for kind in rest))


def room_of(opportunities: Opportunities, over: Sequence[Grant]) -> FloatArray:
    """How many contacts each period still wants; infinity for as many as can be had."""
    room = np.full(len(opportunities.period_request), np.inf)
    for period, index in enumerate(opportunities.period_request.tolist()):
        count = opportunities.requests[index].count
        if count is not None:
            room[period] = max(count - had(opportunities, period, over), 0)
    return room


def had(opportunities: Opportunities, period: int, over: Sequence[Grant]) -> int:
    """How many contacts of a period are over."""
    request = opportunities.requests[opportunities.period_request[period]]
    # What several stations gave at once, or one after the other, was one contact.
    starts = {
        grant.start
        for grant in over
        if grant.target == request.target
        and request.name in grant.requests
        and not grant.takes_over_from
    }
    if not request.per_day or not starts:
        return len(starts)
    day = utc_day(opportunities.period_end[period : period + 1] - 1.0)[0]
    return int((utc_day(np.array(sorted(starts))) == day).sum())


def _points(
    offers: Offers,
    opportunities: Opportunities,
    promises: Promises,
    tiers: tuple[Tier, ...],
) -> NDArray[np.int64]:
    """What each offer counts in each tier."""
    requests = opportunities.requests
    request = opportunities.request[offers.serve_opportunity]
    priority = np.array([each.priority for each in requests], dtype=np.int64)[request]
    urgent = np.array([each.urgent for each in requests], dtype=np.bool_)[request]
    late = np.array([each.late for each in requests], dtype=np.bool_)[request]
    made = np.zeros((len(tiers), offers.count), dtype=np.int64)
    for row, tier in enumerate(tiers):
        mine = urgent & (priority == tier.priority)
        if tier.kind is TierKind.SERVED:
            counts = mine.astype(np.int64)
        elif tier.kind is TierKind.LATENESS:
            # With as many served, the most of these points is the least lateness.
            lost = np.where(mine & late, steps_lost(offers, opportunities), 0)
            counts = np.where(mine & late, int(lost.max(initial=0)) - lost, 0)
        elif tier.kind is TierKind.SECONDS:
            early = np.where(mine & late, _early_s(offers, opportunities), 0.0)
            counts = np.where(mine & late, np.rint(early.max(initial=0.0) - early), 0.0)
        elif tier.kind is TierKind.FROZEN:
            counts = np.where(_held(offers, request, promises) & ~urgent, priority, 0)
        elif tier.kind is TierKind.CONTACTS:
            counts = np.where(urgent, 0, priority)
        else:
            counts = np.rint(comfort_of(offers, opportunities, promises)).astype(np.int64)
        np.add.at(made[row], offers.serve_offer, counts.astype(np.int64))
    return made


def steps_lost(offers: Offers, opportunities: Opportunities) -> IndexArray:
    """By how many steps of lateness each service ends before the last moment that there is."""
    # In any time in view but the last, minutes more or less do not count as a step.
    until = offers.end[offers.serve_offer]
    closes = _closes(opportunities)[opportunities.request[offers.serve_opportunity]]
    usable = opportunities.usable_to[offers.serve_opportunity]
    at = np.where(usable < closes, usable, np.minimum(until, usable))
    early_s = closes - at - LATENESS_S
    return np.ceil(np.maximum(early_s, 0.0) / LATENESS_S - 1e-4).astype(np.intp)


def _early_s(offers: Offers, opportunities: Opportunities) -> FloatArray:
    opportunity = offers.serve_opportunity
    request = opportunities.request[opportunity]
    closes = _closes(opportunities)
    at = np.minimum(offers.end[offers.serve_offer], opportunities.usable_to[opportunity])
    return np.asarray(closes[request] - at)


def _closes(opportunities: Opportunities) -> FloatArray:
    """The last usable instant (s) of each request."""
    closes = np.full(len(opportunities.requests), -np.inf)
    np.maximum.at(closes, opportunities.request, opportunities.usable_to)
    return closes


def comfort_of(offers: Offers, opportunities: Opportunities, promises: Promises) -> FloatArray:
    """What each service counts for comfort, as :mod:`~contactd.core.allocation.scoring` says."""
    requests = opportunities.requests
    request = opportunities.request[offers.serve_opportunity]
    weight = np.array([1 if each.urgent else each.priority for each in requests])[request]
    return np.asarray(
        weight
        * (
            scoring.PREFERRED * _preferred(offers, opportunities)
            + scoring.LENGTH * _length(offers, opportunities)
            + scoring.KEPT * _kept(offers, request, promises)
        )
    )


def most_comfort(
    offers: Offers, opportunities: Opportunities, promises: Promises, room: FloatArray
) -> tuple[PointArray, int]:
    """The most comfort that is possible with each offer, however long it becomes, shape ``[n]``;
    and with all of them.

    Args:
        room: contacts that each period wants, infinity for as many as can be had.
    """
    whole = replace(
        offers,
        serve_length_s=(opportunities.last - opportunities.first)[offers.serve_opportunity],
    )
    each = np.ceil(comfort_of(whole, opportunities, promises))
    made = np.zeros(offers.count)
    np.add.at(made, offers.serve_offer, each)
    of_each = np.zeros(len(opportunities))
    np.maximum.at(of_each, offers.serve_opportunity, each)
    # Of each period the best, as many as it wants.
    order = np.lexsort((-of_each, opportunities.period))
    period = opportunities.period[order]
    rank = np.arange(len(order)) - np.searchsorted(period, period)
    most = of_each[order][rank < room[period]].sum()
    return made.astype(np.int64), int(most)


def _preferred(offers: Offers, opportunities: Opportunities) -> FloatArray:
    liked: FloatArray = np.zeros((len(opportunities.requests), len(opportunities.stations)))
    for row, request in enumerate(opportunities.requests):
        for column, name in enumerate(opportunities.stations):
            liked[row, column] = name in request.preferred
    opportunity = offers.serve_opportunity
    share: FloatArray = liked[
        opportunities.request[opportunity], opportunities.station[opportunity]
    ]
    return share


def _length(offers: Offers, opportunities: Opportunities) -> FloatArray:
    """From 0 at the least duration to 1 at the longest that the request could have."""
    request = opportunities.request[offers.serve_opportunity]
    least = np.array([each.least_duration_s for each in opportunities.requests])
    longest = least.copy()
    np.maximum.at(longest, opportunities.request, opportunities.last - opportunities.first)
    room_s = np.maximum(longest - least, ROUGHLY_S)[request]
    share: FloatArray = np.clip((offers.serve_length_s - least[request]) / room_s, 0.0, 1.0)
    return share


def _kept(offers: Offers, request: IndexArray, promises: Promises) -> FloatArray:
    """How much of what was granted before each service keeps."""
    if not promises.grants:
        return np.zeros(len(request))
    # A request's own part of each piece; then the mean over the pieces of the offer.
    pieces = np.bincount(offers.piece_offer, minlength=offers.count)
    first = np.cumsum(pieces) - pieces
    kept = np.zeros(len(request))
    for step in range(int(pieces.max(initial=0))):
        has = pieces[offers.serve_offer] > step
        at = np.where(has, first[offers.serve_offer] + step, 0)
        grant = promises.piece_grant[at]
        counts = has & (grant >= 0) & promises.serves[grant, request]
        kept += np.where(counts, promises.piece_alike[at], 0.0) / pieces[offers.serve_offer]
    return kept


def _held(offers: Offers, request: IndexArray, promises: Promises) -> BoolArray:
    """Whether each service is one that was granted and is too near to be moved."""
    if not promises.grants:
        return np.zeros(len(request), dtype=np.bool_)
    pieces = np.bincount(offers.piece_offer, minlength=offers.count)
    first = np.cumsum(pieces) - pieces
    held = np.ones(len(request), dtype=np.bool_)
    for step in range(int(pieces.max(initial=0))):
        has = pieces[offers.serve_offer] > step
        at = np.where(has, first[offers.serve_offer] + step, 0)
        grant = promises.piece_grant[at]
        holds = (grant >= 0) & promises.frozen[grant] & promises.serves[grant, request]
        held &= ~has | (holds & promises.piece_holds[at])
    return held
