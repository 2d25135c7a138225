"""Who has what a request lost, and why: in words, from the solution and nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.exchange import Exchange, Exchanges
from contactd.core.allocation.formulation import had, room_of
from contactd.core.allocation.offers import Offers
from contactd.core.allocation.opportunities import Opportunities, day_start, utc_day
from contactd.core.allocation.problem import Problem, TierKind
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import MOST_LOST, Allocation, Grant, How, Lost, Shortfall
from contactd.core.instants import DAY_S, to_text
from contactd.core.sequences.verdict import duration_text

BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]
FloatArray = NDArray[np.float64]

MOST_LOOKED_AT = 6
"""Lost contacts that are looked at for one shortfall."""
Span = tuple[float, float]


def shortfalls(
    allocation: Allocation,
    offers: Offers,
    longer: Offers,
    opportunities: Opportunities,
    problem: Problem,
    taken: BoolArray,
    over: Sequence[Grant],
) -> tuple[Shortfall, ...]:
    """Each request and period that has less than it wants, with reasons.

    Args:
        longer: the offers with those that are taken as long as they became.
        taken: the offers of the allocation, mask of shape ``[n]``.
        over: grants whose time has passed.
    """
    made = _Explainer(allocation, offers, longer, opportunities, problem, taken, over)
    return tuple(
        sorted(
            [*made.with_contacts(), *made.without_contacts()],
            key=lambda each: (each.start, each.target, each.request),
        )
    )


class _Explainer:
    def __init__(
        self,
        allocation: Allocation,
        offers: Offers,
        longer: Offers,
        opportunities: Opportunities,
        problem: Problem,
        taken: BoolArray,
        over: Sequence[Grant],
    ) -> None:
        self.allocation = allocation
        self.offers = offers
        self.longer = longer
        self.problem = problem
        self.opportunities = opportunities
        self.problem = problem
        self.taken = taken
        self.over = over
        room = room_of(opportunities, over)
        self.exchanges = Exchanges(problem, offers, opportunities, taken, room)
        self.served = np.zeros(len(opportunities), dtype=np.bool_)
        self.served[offers.serve_opportunity[taken[offers.serve_offer]]] = True

    def with_contacts(self) -> Iterable[Shortfall]:
        """Shortfalls of periods in which there are opportunities."""
        opportunities = self.opportunities
        order = np.argsort(opportunities.period, kind="stable")
        periods = np.arange(len(opportunities.period_request) + 1)
        edges = np.searchsorted(opportunities.period[order], periods)
        for period in range(len(opportunities.period_request)):
            found = self._of(period, order[edges[period] : edges[period + 1]])
            if found is not None:
                yield found

    def _of(self, period: int, mine: IndexArray) -> Shortfall | None:
        request = self.opportunities.requests[self.opportunities.period_request[period]]
        has = int(self.served[mine].sum()) + had(self.opportunities, period, self.over)
        if request.count is not None and has >= request.count:
            return None
        possible = self.exchanges.possible(mine[~self.served[mine]])
        if request.count is None:
            possible = self._clear_of_own(possible, request)
        span = self._span_of(request, period)
        # Of a day that is only looked at in part, nobody can tell what the rest will bring.
        is_cut = request.per_day and span[1] - span[0] < DAY_S - 2.0
        if request.count is None or is_cut:
            wanted = min(request.count or has + len(possible), has + len(possible))
        else:
            wanted = request.count
        if has >= wanted:
            return None
        lost = self._lost(possible, request)
        because = _summary(request, lost, has + len(possible))
        return _shortfall(request, span, wanted, has, lost, because)

    def _span_of(self, request: Request, period: int) -> Span:
        start = max(float(self.opportunities.period_start[period]), self.allocation.span[0])
        end = float(self.opportunities.period_end[period])
        if not request.per_day:
            return max(start, request.not_before), min(end, request.deadline)
        return start, end

    def _clear_of_own(self, missed: IndexArray, request: Request) -> IndexArray:
        """What does not lie within the request's spacing of a contact that it has."""
        number = self.opportunities.requests.index(request)
        serves = self.taken[self.offers.serve_offer] & (
            self.opportunities.request[self.offers.serve_opportunity] == number
        )
        mine = np.unique(self.offers.serve_offer[serves])
        if request.spacing_s is None:
            return missed
        starts = np.sort(self.offers.start[mine]) - request.spacing_s
        ends = np.sort(self.offers.end[mine]) + request.spacing_s
        first, last = self.opportunities.first[missed], self.opportunities.last[missed]
        begun = np.searchsorted(starts, last, side="left")
        return missed[begun <= np.searchsorted(ends, first, side="right")]

    def without_contacts(self) -> Iterable[Shortfall]:
        """Shortfalls of requests that have no opportunity at all, in a day or in all."""
        opportunities = self.opportunities
        start, end = self.allocation.span
        known = set(
            zip(
                opportunities.period_request.tolist(),
                utc_day(opportunities.period_end - 1.0).tolist(),
                strict=True,
            )
        )
        with_any = {number for number, _ in known}
        for number, request in enumerate(opportunities.requests):
            first, last = max(start, request.not_before), min(end, request.deadline)
            if request.count is None or not np.isfinite([first, last]).all() or last <= first:
                continue
            text = _no_contact(request)
            if not request.per_day:
                if number not in with_any:
                    yield _shortfall(request, (first, last), request.count, 0, (), text)
                continue
            days = utc_day(np.array([first, last])).tolist()
            for day in range(days[0] + 1, days[1]):
                if (number, day) not in known:
                    span = day_start(day), day_start(day + 1)
                    yield _shortfall(request, span, request.count, 0, (), text)

    def _lost(self, missed: IndexArray, request: Request) -> tuple[Lost, ...]:
        if len(missed) > MOST_LOOKED_AT:
            picks = np.linspace(0, len(missed) - 1, MOST_LOOKED_AT).round().astype(np.intp)
            missed = missed[picks]
        found = [(self.exchanges.cheapest(int(each)), int(each)) for each in missed]
        found.sort(key=lambda pair: (pair[0].margin, pair[1]))
        kept = sorted(found[:MOST_LOST], key=lambda pair: self.opportunities.first[pair[1]])
        return tuple(self._told(exchange, each, request) for exchange, each in kept)

    def _told(self, exchange: Exchange, opportunity: int, request: Request) -> Lost:
        opportunities = self.opportunities
        station = opportunities.stations[opportunities.station[opportunity]]
        others = [
            offer
            for offer in exchange.gone
            if self.offers.targets[self.offers.target[offer]] != request.target
        ]
        grants = tuple(grant for offer in others for grant in self._grants_of(offer, station))
        return Lost(
            station=station,
            start=float(opportunities.first[opportunity]),
            end=float(opportunities.last[opportunity]),
            to=grants,
            because=self._because(exchange, others, grants, request),
        )

    def _grants_of(self, offer: int, station: str) -> list[Grant]:
        """The grants that an offer became; those of one station, if there are such."""
        target = self.offers.targets[self.offers.target[offer]]
        start, end = float(self.longer.start[offer]), float(self.longer.end[offer])
        mine = [
            grant
            for grant in self.allocation.grants
            if grant.target == target and grant.start >= start and grant.end <= end
        ]
        return [grant for grant in mine if grant.station == station] or mine

    def _because(
        self,
        exchange: Exchange,
        others: list[int],
        grants: tuple[Grant, ...],
        request: Request,
    ) -> str:
        if not exchange.gone or exchange.margin < (0,) * len(exchange.margin):
            return "the search ended before it was looked at"
        if not others:
            if request.spacing_s:
                spacing = duration_text(request.spacing_s)
                return f"it lies less than {spacing} from another contact of its own"
            return "another contact of its own would have to go for it"
        worse = next((row for row, margin in enumerate(exchange.margin) if margin > 0), -1)
        kind = self.problem.tiers[worse].kind
        if kind in (TierKind.SERVED, TierKind.LATENESS, TierKind.SECONDS):
            before = "less urgent requests" if request.urgent else "everything"
            return f"{self._urgent_names(others)} goes before {before}"
        if kind is TierKind.FROZEN:
            until = self.allocation.frozen_until
            assert until is not None, "only with a frozen time is there anything frozen"
            return f"what begins before {to_text(until, 0)} is not moved any more"
        return _weighed(exchange, len(others), grants, request)

    def _urgent_names(self, offers: list[int]) -> str:
        names: dict[str, None] = {}
        for offer in offers:
            for at in self.exchanges.serves_of(offer):
                number = self.opportunities.request[self.offers.serve_opportunity[at]]
                asked = self.opportunities.requests[number]
                if asked.urgent:
                    names[asked.why or f"{asked.name} of {asked.target}"] = None
        return _and(list(names))


def _shortfall(
    request: Request, span: Span, wanted: int, has: int, lost: tuple[Lost, ...], because: str
) -> Shortfall:
    return Shortfall(
        target=request.target,
        request=request.name,
        start=span[0],
        end=span[1],
        wanted=wanted,
        granted=has,
        priority=request.priority,
        urgent=request.urgent,
        lost=lost,
        because=because,
    )


def _weighed(exchange: Exchange, others: int, grants: tuple[Grant, ...], request: Request) -> str:
    """Why an exchange among ordinary contacts would be for the worse."""
    # The last two tiers are contacts, each as often as its priority says, and comfort.
    (cost, comfort), (count, comfort_for) = exchange.costs[-2:], exchange.counts[-2:]
    own = len(exchange.gone) > others
    if len(exchange.gone) > 1 and cost > count:
        what = f"{others} of others and one of its own" if own else f"{len(exchange.gone)} contacts"
        return f"{what} would have to go for it, priorities of {cost} in all against {count}"
    if cost > count:
        return f"a priority of {cost} goes before {count}"
    if any(grant.how is not How.NEW for grant in grants):
        return f"it was granted before, and both have a priority of {count}"
    if comfort > comfort_for:
        return f"both have a priority of {count}, and the other is longer or at a preferred station"
    return f"both have a priority of {count}, and only one can have it"


def _no_contact(request: Request) -> str:
    """That there is no contact for a request at all."""
    where = " or ".join(request.stations) if request.stations else "any station"
    what = f" that gives {request.service}" if request.service else ""
    least = duration_text(request.least_duration_s)
    return f"there is no contact of at least {least} with {where}{what}"


def _summary(request: Request, lost: tuple[Lost, ...], possible: int) -> str:
    """One sentence for all that a request has not got."""
    if not lost and not possible:
        return _no_contact(request)
    if not lost:
        least = duration_text(request.least_duration_s)
        plural = "contact" if possible == 1 else "contacts"
        return f"there is only {possible} {plural} of at least {least}"
    takers = list(dict.fromkeys(grant.target for each in lost for grant in each.to))
    first = next((each for each in lost if each.to), lost[0])
    if not takers:
        return first.because
    return f"lost to {_and(takers)}, because {first.because}"


def _and(names: list[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
