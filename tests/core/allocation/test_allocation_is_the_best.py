"""The allocation against everything that could be: small random cases, every choice tried.

The rules and the points of ``allocation_cases.Everything`` are written anew from their wording.
"""

from __future__ import annotations

import importlib.util
import random
from dataclasses import replace

import pytest
from allocation_cases import AFTER, BEFORE, DAWN, Case, Everything, coverage, stations

from contactd.core.allocation.allocate import allocate
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation
from contactd.core.allocation.search_budget import Effort

MOST_OFFERS = 45
"""Cases with more than this take too long to try everything."""
SEEDS = range(360)
CHUNK = 30
HAS_CP_SAT = importlib.util.find_spec("ortools") is not None
WAYS = {
    "in one go": {},
    "from the relaxation": {"effort": Effort(all_at_once=0)},
    **({"by CP-SAT": {"solver": "cp-sat"}} if HAS_CP_SAT else {}),
}


def chunks() -> list[list[int]]:
    return [list(SEEDS[low : low + CHUNK]) for low in range(0, len(SEEDS), CHUNK)]


def small_cases(seeds: list[int]) -> list[tuple[Case, tuple[int, int]]]:
    found = []
    for seed in seeds:
        case = Case(seed)
        opportunities, antennas, offers = case.offers()
        if offers.count <= MOST_OFFERS:
            found.append((case, Everything(opportunities, antennas, offers).best))
    return found


def worth(made: Allocation) -> tuple[int, int]:
    return made.worth.urgent, made.worth.ordinary


@pytest.mark.parametrize("seeds", chunks(), ids=lambda seeds: f"seeds from {seeds[0]}")
def test_no_choice_of_offers_is_worth_more(seeds: list[int]) -> None:
    tried = small_cases(seeds)
    assert len(tried) > CHUNK / 2
    for case, best in tried:
        for way, options in WAYS.items():
            made = allocate(
                case.requests, case.coverage, case.stations, BEFORE, until=AFTER, **options
            )
            assert worth(made) == best, f"seed {case.seed}, {way}"
            assert made.is_best, f"seed {case.seed}, {way}"


@pytest.mark.parametrize("seeds", chunks()[:5], ids=lambda seeds: f"seeds from {seeds[0]}")
def test_what_was_granted_before_counts_as_the_formula_says(seeds: list[int]) -> None:
    """A request comes and another goes; what was granted before is worth keeping."""
    tried = 0
    for seed in seeds:
        case = Case(seed)
        first = case.requests[:-1]
        before = allocate(first, case.coverage, case.stations, BEFORE, until=AFTER)
        dice = random.Random(seed)
        kept = list(case.requests)
        if len(kept) > 2:
            kept.remove(dice.choice(kept[:-1]))
        case.requests = tuple(kept)
        opportunities, antennas, offers = case.offers(before.grants)
        if offers.count > MOST_OFFERS:
            continue
        best = Everything(opportunities, antennas, offers, before.grants).best
        for way, options in WAYS.items():
            made = allocate(
                kept, case.coverage, case.stations, BEFORE, before, until=AFTER, **options
            )
            assert worth(made) == best, f"seed {seed}, {way}"
        tried += 1
    assert tried > CHUNK / 2


@pytest.mark.skipif(not HAS_CP_SAT, reason="the extra 'allocation' is not installed")
@pytest.mark.parametrize("seed", range(6))
def test_both_solvers_and_both_ways_find_the_same_in_a_crowd(seed: int) -> None:
    """Twelve targets at three antennas: too many to try everything."""
    dice = random.Random(seed)
    targets = [f"Target {number}" for number in range(12)]
    places = stations("A", "B", "C", setup_s=60.0, teardown_s=30.0)
    contacts = {}
    for target in targets:
        for name in places:
            spans, at = [], dice.randint(0, 1800)
            for _ in range(3):
                length = dice.randint(240, 840)
                spans.append((at, at + length))
                at += length + dice.randint(1200, 4000)
            contacts[target, name] = spans
    requests = [
        Request(
            target,
            priority=dice.randint(1, 9),
            least_duration_s=dice.choice([180.0, 300.0]),
            count=dice.choice([None, 2, 3]),
            least_spacing_s=dice.choice([0.0, 1800.0]),
            preferred=("A",) if dice.random() < 0.5 else (),
            urgent=dice.random() < 0.1,
        )
        for target in targets
    ]
    found = {
        way: allocate(requests, coverage(contacts), places, DAWN, until=AFTER, **options)
        for way, options in WAYS.items()
    }
    assert all(each.is_best for each in found.values())
    assert len({each.worth for each in found.values()}) == 1


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


@pytest.mark.parametrize("seed", range(40))
def test_planning_again_with_nothing_new_changes_nothing(seed: int) -> None:
    case = Case(seed)
    given = case.requests, case.coverage, case.stations, BEFORE
    before = allocate(*given, until=AFTER)
    again = allocate(*given, before, until=AFTER)
    assert [replace(each, how=before.grants[0].how) for each in again.grants] == list(before.grants)
    assert not again.dropped


@pytest.mark.parametrize("seed", range(40))
def test_the_same_questions_get_the_same_answers(seed: int) -> None:
    case = Case(seed)
    given = case.requests, case.coverage, case.stations, BEFORE
    assert allocate(*given, until=AFTER) == allocate(*given, until=AFTER)
