"""From offers to a problem in numbers: what may be taken, what it counts, what excludes what."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation import scoring
from contactd.core.allocation.offers import UNIT_S, Antennas, Offers
from contactd.core.allocation.opportunities import Opportunities, utc_day
from contactd.core.allocation.problem import Intervals, Members, Problem
from contactd.core.allocation.result import Grant
from contactd.core.allocation.sessions import ROUGHLY_S

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

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
        piece_alike: what both have in common divided by what either has, from 0 to 1; and 1 if it
            is the same.
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
    nearest, alike = np.full(count, -1, dtype=np.intp), np.zeros(count)
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
        better = (common > 0) & (share > alike[mine])
        mine, start, end = mine[better], start[better], end[better]
        nearest[mine], alike[mine] = row, share[better]
        begins = np.maximum(grant.start, np.minimum(first[mine], grant.end))
        ends = np.minimum(grant.end, np.maximum(last[mine], grant.start))
        holds[mine] = (start <= begins + SAME_S) & (end >= ends - SAME_S)
        same[mine] = holds[mine] & (start >= begins - SAME_S) & (end <= ends + SAME_S)
        alike[mine] = np.where(same[mine], 1.0, alike[mine])
    is_near = np.array(
        [frozen_until is not None and grant.start < frozen_until for grant in grants],
        dtype=np.bool_,
    )
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
    return Problem(
        _points(offers, opportunities, promises),
        _days(offers, opportunities),
        apart=(antenna, rest),
        at_most=(once, limit),
    )


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


def _days(offers: Offers, opportunities: Opportunities) -> IndexArray:
    """The UTC day of the earliest opportunity that each offer serves."""
    begins = np.full(offers.count, np.inf)
    np.minimum.at(begins, offers.serve_offer, opportunities.usable_from[offers.serve_opportunity])
    return utc_day(begins)


def _points(offers: Offers, opportunities: Opportunities, promises: Promises) -> NDArray[np.int64]:
    """What each offer counts in each tier."""
    requests = opportunities.requests
    opportunity = offers.serve_opportunity
    request = opportunities.request[opportunity]
    priority = np.array([each.priority for each in requests], dtype=np.float64)[request]
    urgent = np.array([each.urgent for each in requests], dtype=np.bool_)[request]
    late = np.where(
        np.array([each.late for each in requests], dtype=np.bool_)[request],
        _lateness(offers, opportunities),
        0.0,
    )
    comfort = (
        scoring.PREFERRED * _preferred(offers, opportunities)
        + scoring.LENGTH * _length(offers, opportunities)
        + scoring.KEPT * _kept(offers, request, promises)
    )
    made = np.zeros((3, offers.count))
    first = np.where(urgent, scoring.GRANT + scoring.LATE * late, 0.0)
    np.add.at(made[0], offers.serve_offer, np.rint(priority * first))
    last = np.where(urgent, comfort, priority * (scoring.GRANT + comfort))
    np.add.at(made[2], offers.serve_offer, np.rint(last))
    frozen = _held(offers, request, promises)
    np.add.at(made[1], offers.serve_offer, np.where(frozen, priority * scoring.GRANT, 0.0))
    return np.rint(made).astype(np.int64)


def _lateness(offers: Offers, opportunities: Opportunities) -> FloatArray:
    """From 0 at a request's first possible end to 1 at its deadline, of each service."""
    opportunity = offers.serve_opportunity
    request = opportunities.request[opportunity]
    count = len(opportunities.requests)
    opens, closes = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(opens, opportunities.request, opportunities.usable_from)
    np.maximum.at(closes, opportunities.request, opportunities.usable_to)
    deadline = np.array([each.deadline for each in opportunities.requests])
    closes = np.where(np.isfinite(deadline), deadline, closes)
    at = np.minimum(offers.end[offers.serve_offer], opportunities.usable_to[opportunity])
    span_s = np.maximum(closes[request] - opens[request], 1.0)
    share: FloatArray = np.clip((at - opens[request]) / span_s, 0.0, 1.0)
    return share


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
    np.maximum.at(longest, request, offers.serve_length_s)
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
