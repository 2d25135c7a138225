"""Invented cases of station time, and what their best allocation is by trying everything."""

from __future__ import annotations

import itertools
import random
from collections.abc import Mapping, Sequence

import numpy as np

from contactd.core.allocation.offer_search import find_offers
from contactd.core.allocation.offers import Antennas, Offers
from contactd.core.allocation.opportunities import Opportunities, find_opportunities
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Grant
from contactd.core.contacts.contact import Coverage
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet

DAWN = from_text("2026-11-25T00:00:00Z")
"""Times of the cases count from here, in seconds."""

BEFORE, AFTER = DAWN - 3600.0, DAWN + 86_400.0
"""Between these lies everything that happens in them."""

Spans = Sequence[tuple[float, float]]


def coverage(
    contacts: Mapping[tuple[str, str], Spans], service: str = "telemetry", error_s: float = 0.0
) -> dict[str, dict[str, dict[str, Coverage]]]:
    """Coverage of one service from (target, station) to spans in seconds after ``DAWN``."""
    made: dict[str, dict[str, dict[str, Coverage]]] = {}
    for (target, station), spans in contacts.items():
        seen = IntervalSet.of((DAWN + start, DAWN + end) for start, end in spans)
        made.setdefault(target, {}).setdefault(service, {})[station] = Coverage(
            seen, seen.shrink(error_s, error_s), seen.grow(error_s, error_s)
        )
    return made


def station(name: str, setup_s: float = 0.0, teardown_s: float = 0.0) -> Station:
    """A station whose place does not matter."""
    return Station(name, 0.0, 0.0, setup_s=setup_s, teardown_s=teardown_s)


def stations(*names: str, setup_s: float = 0.0, teardown_s: float = 0.0) -> dict[str, Station]:
    """Several, all alike."""
    return {name: station(name, setup_s, teardown_s) for name in names}


class Case:
    """A small random case. Times are whole minutes within some hours."""

    def __init__(self, seed: int) -> None:
        dice = random.Random(seed)
        self.seed = seed
        names = [f"Station {letter}" for letter in "ABC"[: dice.randint(1, 3)]]
        self.stations = {
            name: station(name, 60.0 * dice.randint(0, 2), 60.0 * dice.randint(0, 1))
            for name in names
        }
        targets = [f"Target {number}" for number in range(1, dice.randint(2, 4) + 1)]
        contacts: dict[tuple[str, str], list[tuple[float, float]]] = {}
        for target, name in itertools.product(targets, names):
            contacts[target, name] = []
            at = dice.randint(0, 20)
            for _ in range(dice.randint(0, 2)):
                length = dice.randint(3, 12)
                contacts[target, name].append((60.0 * at, 60.0 * (at + length)))
                at += length + dice.randint(2, 20)
        self.coverage = coverage(contacts)
        self.requests = tuple(
            request for target in targets for request in self._requests(dice, target, names)
        )

    @staticmethod
    def _requests(dice: random.Random, target: str, names: list[str]) -> list[Request]:
        made = []
        for number in range(dice.choice([1, 1, 1, 2])):
            kind = dice.random()
            made.append(
                Request(
                    target,
                    f"request {number}",
                    dice.choice(["telemetry", ""]),
                    priority=dice.randint(1, 4),
                    least_duration_s=60.0 * dice.choice([2, 3, 4, 6, 14]),
                    count=dice.choice([None, 1, 2]),
                    per_day=dice.random() < 0.5,
                    least_spacing_s=60.0 * dice.choice([0, 0, 10]) if dice.random() < 0.7 else None,
                    not_before=DAWN + 60.0 * dice.choice([-100, 5]),
                    deadline=DAWN + 60.0 * dice.choice([1000, 40]),
                    stations=() if dice.random() < 0.8 else tuple(dice.sample(names, 1)),
                    preferred=tuple(dice.sample(names, 1)) if dice.random() < 0.5 else (),
                    handover_overlap_s=dice.choice([None, None, 60.0]),
                    urgent=kind < 0.2,
                    late=kind < 0.1,
                )
            )
        return made

    def offers(self, previous: Sequence[Grant] = ()) -> tuple[Opportunities, Antennas, Offers]:
        """What the allocation chooses from."""
        antennas = Antennas(
            tuple(self.stations),
            np.array([each.setup_s for each in self.stations.values()]),
            np.array([each.teardown_s for each in self.stations.values()]),
        )
        found = find_opportunities(self.requests, self.coverage, antennas.names, (BEFORE, AFTER))
        return found, antennas, find_offers(found, antennas, previous)


class Everything:
    """The best choice of offers, found by trying them all, by the rules as they are written.

    Nothing of the solvers is used: what excludes what is looked at pair by pair, and points are
    counted anew from the formula.
    """

    def __init__(
        self,
        opportunities: Opportunities,
        antennas: Antennas,
        offers: Offers,
        previous: Sequence[Grant] = (),
    ) -> None:
        self.opportunities, self.antennas, self.offers = opportunities, antennas, offers
        self.previous = previous
        self.pieces = [
            [
                (
                    int(offers.piece_station[at]),
                    float(offers.piece_start[at]),
                    float(offers.piece_end[at]),
                )
                for at in np.flatnonzero(offers.piece_offer == offer)
            ]
            for offer in range(offers.count)
        ]
        self.serves = [
            [
                (int(offers.serve_opportunity[at]), float(offers.serve_length_s[at]))
                for at in np.flatnonzero(offers.serve_offer == offer)
            ]
            for offer in range(offers.count)
        ]
        self.longest: dict[int, float] = {}
        for serves in self.serves:
            for opportunity, length_s in serves:
                request = int(opportunities.request[opportunity])
                self.longest[request] = max(self.longest.get(request, 0.0), length_s)
        self.worths = [self._worth(offer) for offer in range(offers.count)]
        self.excluded = [
            {other for other in range(offers.count) if other != one and self._exclude(one, other)}
            for one in range(offers.count)
        ]
        self.best = (0, 0)
        self._look(list(range(offers.count)), (0, 0), {})

    def _request(self, opportunity: int) -> Request:
        return self.opportunities.requests[int(self.opportunities.request[opportunity])]

    def _worth(self, offer: int) -> tuple[int, int]:
        """Points of the urgent and of the ordinary tier; nothing is frozen."""
        urgent = ordinary = 0
        for opportunity, length_s in self.serves[offer]:
            request = self._request(opportunity)
            number = int(self.opportunities.request[opportunity])
            name = self.opportunities.stations[int(self.opportunities.station[opportunity])]
            room_s = max(self.longest[number] - request.least_duration_s, 1e-6)
            length = min(max((length_s - request.least_duration_s) / room_s, 0.0), 1.0)
            comfort = 100.0 * (name in request.preferred) + 100.0 * length
            comfort += 200.0 * self._kept(offer, request)
            if request.urgent:
                late = self._lateness(offer, opportunity) if request.late else 0.0
                urgent += round(request.priority * (1000.0 + 300.0 * late))
                ordinary += round(comfort)
            else:
                ordinary += round(request.priority * (1000.0 + comfort))
        return urgent, ordinary

    def _lateness(self, offer: int, opportunity: int) -> float:
        request = self._request(opportunity)
        mine = self.opportunities.request == self.opportunities.request[opportunity]
        opens = float(self.opportunities.usable_from[mine].min())
        ends = min(
            max(end for _, _, end in self.pieces[offer]),
            float(self.opportunities.usable_to[opportunity]),
        )
        return min(max((ends - opens) / max(request.deadline - opens, 1.0), 0.0), 1.0)

    def _kept(self, offer: int, request: Request) -> float:
        """What the offer and earlier grants of the request have in common, of what either has;
        all of it, where both ends lie within half a minute."""
        kept = 0.0
        served = [opportunity for opportunity, _ in self.serves[offer]]
        first = min(float(self.opportunities.first[each]) for each in served)
        last = max(float(self.opportunities.last[each]) for each in served)
        for station, start, end in self.pieces[offer]:
            name = self.opportunities.stations[station]
            shares = [(0.0, False)]
            for grant in self.previous:
                if (grant.target, grant.station) == (request.target, name):
                    common = min(end, grant.end) - max(start, grant.start)
                    both = max(end, grant.end) - min(start, grant.start)
                    if len(self.pieces[offer]) > 1:
                        first, last = start, end
                    begins, ends = max(grant.start, first), min(grant.end, last)
                    same = common > 0 and abs(start - begins) <= 30 and abs(end - ends) <= 30
                    alike = 1.0 if same else max(common, 0.0) / both
                    shares.append((alike, request.name in grant.requests))
            share, is_its_own = max(shares, key=lambda each: each[0])
            kept += share * is_its_own / len(self.pieces[offer])
        return kept

    def _exclude(self, one: int, other: int) -> bool:
        """Whether two offers cannot both be taken."""
        for station, start, end in self.pieces[one]:
            before = float(self.antennas.setup_s[station] + self.antennas.teardown_s[station])
            for station_too, start_too, end_too in self.pieces[other]:
                if (
                    station == station_too
                    and start < end_too + before - 1e-3
                    and start_too < end + before - 1e-3
                ):
                    return True
        for opportunity, _ in self.serves[one]:
            request = self._request(opportunity)
            for opportunity_too, _ in self.serves[other]:
                if opportunity == opportunity_too:
                    return True
                if self._request(opportunity_too) is request:
                    gap_s = self._gap_s(one, other)
                    spacing_s = request.least_spacing_s
                    if spacing_s is None and request.count is not None:
                        spacing_s = 0.0
                    if spacing_s is not None and gap_s < spacing_s - 1e-3:
                        return True
        return False

    def _gap_s(self, one: int, other: int) -> float:
        """From the end of the earlier to the start of the later."""
        starts = [min(piece[1] for piece in self.pieces[each]) for each in (one, other)]
        ends = [max(piece[2] for piece in self.pieces[each]) for each in (one, other)]
        return max(starts[0] - ends[1], starts[1] - ends[0])

    def _look(self, left: list[int], worth: tuple[int, int], taken: Mapping[int, int]) -> None:
        self.best = max(self.best, worth)
        hope = tuple(sum(self.worths[each][tier] for each in left) + worth[tier] for tier in (0, 1))
        if not left or hope <= self.best:
            return
        offer, rest = left[0], left[1:]
        counts = dict(taken)
        fits = True
        for opportunity, _ in self.serves[offer]:
            period = int(self.opportunities.period[opportunity])
            counts[period] = counts.get(period, 0) + 1
            limit = self._request(opportunity).count
            fits &= limit is None or counts[period] <= limit
        if fits:
            gained = (worth[0] + self.worths[offer][0], worth[1] + self.worths[offer][1])
            free = [each for each in rest if each not in self.excluded[offer]]
            self._look(free, gained, counts)
        self._look(rest, worth, taken)
