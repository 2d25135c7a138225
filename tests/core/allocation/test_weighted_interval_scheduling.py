"""One antenna, whole contacts: the weighted interval scheduling problem, by dynamic programming.

Source: Kleinberg & Tardos, *Algorithm Design*, 2005, section 6.1: with the intervals in the order
of their ends and p(j) the last that ends before j begins,
``OPT(j) = max(v_j + OPT(p(j)), OPT(j - 1))``. Recurrence and example are values from memory.
"""

from __future__ import annotations

import random
from bisect import bisect_right

import pytest
from allocation_cases import AFTER, DAWN, coverage, stations

from contactd.core.allocation.allocate import allocate
from contactd.core.allocation.problem import TierKind
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation

Interval = tuple[int, int, int]
"""Start, end (minutes), value."""


def optimum(intervals: list[Interval]) -> list[int]:
    """OPT(0), OPT(1), …, OPT(n)."""
    ordered = sorted(intervals, key=lambda each: each[1])
    ends = [end for _, end, _ in ordered]
    best = [0]
    for number, (start, _, value) in enumerate(ordered):
        before = bisect_right(ends, start, hi=number)
        best.append(max(value + best[before], best[number]))
    return best


def by_allocation(intervals: list[Interval]) -> Allocation:
    """Each interval a target of its own that wants all of its one contact."""
    return allocate(
        [
            Request(f"T{number}", priority=value, least_duration_s=60.0 * (end - start))
            for number, (start, end, value) in enumerate(intervals)
        ],
        coverage(
            {
                (f"T{number}", "S"): [(60 * start, 60 * end)]
                for number, (start, end, _) in enumerate(intervals)
            }
        ),
        stations("S"),
        DAWN,
        until=AFTER,
    )


def test_the_textbook_example_has_the_textbook_optimum() -> None:
    """Figures 6.2 and 6.5: values 2, 4, 4, 7, 2, 1 and p = 0, 0, 1, 0, 3, 3 give
    M = 0, 2, 4, 6, 7, 8, 8 (values from memory)."""
    example = [(0, 3, 2), (1, 5, 4), (4, 6, 4), (2, 7, 7), (6, 8, 2), (6, 9, 1)]
    assert optimum(example) == [0, 2, 4, 6, 7, 8, 8]
    made = by_allocation(example)
    assert made.reached(TierKind.CONTACTS) == 8
    assert sum(grant.priority for grant in made.grants) == 8


@pytest.mark.parametrize("seed", range(60))
def test_one_antenna_reaches_the_optimum_of_dynamic_programming(
    seed: int,
) -> None:
    dice = random.Random(seed)
    intervals = []
    for _ in range(dice.randint(1, 80)):
        start = dice.randint(0, 300)
        intervals.append((start, start + dice.randint(1, 40), dice.randint(1, 100)))
    made = by_allocation(intervals)
    assert made.reached(TierKind.CONTACTS) == optimum(intervals)[-1]
    assert made.is_best
