"""The allocation against mixed-integer models with free cut times, and against plain search."""

from __future__ import annotations

import importlib.util
import random
from dataclasses import replace

import pytest
from allocation_cases import AFTER, BEFORE, DAWN, Case, coverage, stations
from free_cuts import FreeCuts

from contactd.core.allocation.allocate import allocate
from contactd.core.allocation.problem import TierKind
from contactd.core.allocation.request import Request
from contactd.core.allocation.search_budget import Effort
from contactd.core.ground.station import Station

SEEDS = range(16)
CHUNK = 30
SOLVERS = ["highs", *(["cp-sat"] if importlib.util.find_spec("ortools") else [])]

Contacts = dict[tuple[str, str], list[tuple[int, int]]]


def chunks() -> list[list[int]]:
    return [list(SEEDS[low : low + CHUNK]) for low in range(0, len(SEEDS), CHUNK)]


def by_chunk(seeds: list[int]) -> str:
    return f"seeds from {seeds[0]}"


def spaced_case(seed: int) -> tuple[list[Request], Contacts, dict[str, Station]]:
    """One request a target, with spacing, and overlapping passes at two or three stations."""
    dice = random.Random(seed)
    names = ["A", "B", "C"][: dice.choice([2, 2, 3])]
    contacts: Contacts = {}
    requests = []
    for number in range(dice.randint(1, 3)):
        for name in names:
            at, spans = dice.randint(0, 12), []
            for _ in range(dice.randint(1, 2)):
                length = dice.randint(4, 14)
                spans.append((60 * at, 60 * (at + length)))
                at += length + dice.randint(2, 12)
            contacts[f"T{number}", name] = spans
        requests.append(
            Request(
                f"T{number}",
                priority=dice.choice([1, 1, 2, 3]),
                least_duration_s=60.0 * dice.randint(2, 4),
                least_spacing_s=60.0 * dice.choice([0, 2, 5, 8]),
                count=dice.choice([None, None, 3, 5]),
                per_day=False,
            )
        )
    return requests, contacts, stations(*names, setup_s=60.0 * dice.choice([0, 1, 2]))


def mixed_case(seed: int) -> tuple[list[Request], Contacts, dict[str, Station]]:
    """Stops, needs and contacts of several targets in the same passes of one or two antennas."""
    dice = random.Random(seed)
    names = ["A", "B"][: dice.choice([1, 1, 2])]
    contacts: Contacts = {}
    requests = []
    for number in range(dice.randint(2, 4)):
        target = f"T{number}"
        for name in names:
            start = dice.randint(0, 8)
            contacts[target, name] = [(60 * start, 60 * (start + dice.randint(6, 16)))]
        for kind in dice.sample(["stop", "need", "contacts"], dice.randint(1, 3)):
            window = sorted(dice.sample(range(25), 2))
            request = Request(
                target, kind, priority=dice.randint(1, 3), count=1, per_day=False,
                least_duration_s=60.0 * dice.randint(1, 4),
            )  # fmt: skip
            if kind != "contacts":
                request = replace(
                    request,
                    urgent=True,
                    priority=dice.choice([12, 10, 6]) if kind == "stop" else dice.choice([4, 3]),
                    not_before=DAWN + 60.0 * window[0],
                    deadline=DAWN + 60.0 * window[1],
                )
            requests.append(request)
    return requests, contacts, stations(*names, setup_s=60.0 * dice.choice([0, 1]))


def reference(requests: list[Request], contacts: Contacts, places: dict[str, Station]) -> FreeCuts:
    def windows(request: Request, name: str) -> list[tuple[float, float]]:
        spans = [(DAWN + a, DAWN + b) for a, b in contacts.get((request.target, name), [])]
        cut = [(max(a, request.not_before), min(b, request.deadline)) for a, b in spans]
        return [(a, b) for a, b in cut if b > a]

    return FreeCuts(windows, requests, places)


@pytest.mark.parametrize("seeds", chunks(), ids=by_chunk)
def test_with_spacing_no_free_cut_gives_one_contact_more(seeds: list[int]) -> None:
    for seed in seeds:
        requests, contacts, places = spaced_case(seed)
        model = reference(requests, contacts, places)
        best = model.solve([model.contacts(lambda request: True)])[0]
        made = allocate(requests, coverage(contacts), places, DAWN, until=AFTER)
        assert made.reached(TierKind.CONTACTS) == round(best), f"seed {seed}"
        assert made.is_best, f"seed {seed}"


@pytest.mark.parametrize("seeds", chunks(), ids=by_chunk)
def test_every_tier_has_as_much_as_free_cuts_could_give_it(seeds: list[int]) -> None:
    for seed in seeds:
        requests, contacts, places = mixed_case(seed)
        model = reference(requests, contacts, places)
        urgent = sorted({each.priority for each in requests if each.urgent}, reverse=True)
        goals = [
            model.served(lambda request, p=priority: request.urgent and request.priority == p)
            for priority in urgent
        ]
        best = model.solve([*goals, model.contacts(lambda request: not request.urgent)])
        made = allocate(requests, coverage(contacts), places, DAWN, until=AFTER)
        found = [each.worth for each in made.tiers if each.tier.kind is TierKind.SERVED]
        found.append(made.reached(TierKind.CONTACTS))
        assert found == [round(each) for each in best], f"seed {seed}"
        assert made.is_best, f"seed {seed}"


def test_nothing_is_called_proved_where_not_every_start_was_looked_at() -> None:
    short = 0
    for seed in range(30):
        requests, contacts, places = spaced_case(seed)
        model = reference(requests, contacts, places)
        best = round(model.solve([model.contacts(lambda request: True)])[0])
        few = Effort(starts=1)
        made = allocate(requests, coverage(contacts), places, DAWN, until=AFTER, effort=few)
        reached = next(each for each in made.tiers if each.tier.kind is TierKind.CONTACTS)
        assert reached.worth <= best <= reached.most, f"seed {seed}"
        short += reached.worth < best
    assert short > 3


@pytest.mark.skipif(len(SOLVERS) < 2, reason="the extra 'allocation' is not installed")
@pytest.mark.parametrize("seed", range(20))
def test_both_solvers_find_the_same(seed: int) -> None:
    requests, contacts, places = mixed_case(seed)
    found = [
        allocate(requests, coverage(contacts), places, DAWN, until=AFTER, solver=solver)
        for solver in SOLVERS
    ]
    assert all(each.is_best for each in found)
    assert len({tuple(tier.worth for tier in each.tiers[:-1]) for each in found}) == 1


def most_contacts(
    opportunities: list[tuple[int, int, int, int]], gap: int, spacing: int, least: dict[int, int]
) -> int:
    """The most contacts that any schedule on a grid of minutes can give, by trying them all.

    Args:
        opportunities: (target, station, from, to), times in minutes.
    """
    most = 0

    def look(place: int, taken: list[tuple[int, int, int, int]]) -> None:
        nonlocal most
        most = max(most, len(taken))
        if len(taken) + len(opportunities) - place <= most:
            return
        target, station, opens, closes = opportunities[place]
        for start in range(opens, closes - least[target] + 1):
            end = start + least[target]
            if all(
                (station != station_too or start >= end_too + gap or start_too >= end + gap)
                and (target != target_too or max(start - end_too, start_too - end) >= spacing)
                for target_too, station_too, start_too, end_too in taken
            ):
                look(place + 1, [*taken, (target, station, start, end)])
        look(place + 1, taken)

    look(0, [])
    return most


@pytest.mark.parametrize("seeds", chunks(), ids=lambda seeds: f"seeds from {seeds[0]}")
def test_as_many_contacts_are_given_as_any_schedule_could_give(seeds: list[int]) -> None:
    """Offers are cut only at chosen moments; still no other cut would make room for one more.

    With one priority for all, one more contact counts more than all comfort of up to four.
    """
    for seed in seeds:
        dice = random.Random(seed)
        stations_count, targets = dice.choice([1, 1, 2]), range(dice.randint(2, 5))
        gap, spacing = dice.choice([0, 1, 2]), dice.choice([0, 0, 3])
        least = {target: dice.randint(2, 5) for target in targets}
        opportunities, contacts = [], {}
        for target in targets:
            for place in range(stations_count):
                start, length = dice.randint(0, 6), dice.randint(3, 11)
                if dice.random() < 0.8 and len(opportunities) < 7:
                    opportunities.append((target, place, start, start + length))
                    contacts[f"T{target}", f"S{place}"] = [(60 * start, 60 * (start + length))]
        most = most_contacts(opportunities, gap, spacing, least)
        if most > 4:
            continue
        made = allocate(
            [
                Request(
                    f"T{target}", least_duration_s=60 * least[target], least_spacing_s=60 * spacing
                )
                for target in targets
            ],
            coverage(contacts),
            stations(*(f"S{place}" for place in range(stations_count)), setup_s=60 * gap),
            DAWN,
            until=AFTER,
        )
        assert len(made.grants) == most, f"seed {seed}"


@pytest.mark.parametrize("seed", range(10))
def test_planning_again_with_nothing_new_changes_nothing(seed: int) -> None:
    case = Case(seed)
    given = case.requests, case.coverage, case.stations, BEFORE
    before = allocate(*given, until=AFTER)
    again = allocate(*given, before, until=AFTER)
    assert [replace(each, how=before.grants[0].how) for each in again.grants] == list(before.grants)
    assert not again.dropped


@pytest.mark.parametrize("seed", range(10))
def test_the_same_questions_get_the_same_answers(seed: int) -> None:
    case = Case(seed)
    given = case.requests, case.coverage, case.stations, BEFORE
    assert allocate(*given, until=AFTER) == allocate(*given, until=AFTER)
