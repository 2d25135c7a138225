"""The interval algebra against a brute-force model: sets of integers."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from contactd.core.intervals import EMPTY, IntervalSet, at_least, intersection, union

LAST = 60
PAIRS = st.lists(
    st.tuples(st.integers(0, LAST), st.integers(-2, 15)).map(
        lambda each: (float(each[0]), float(each[0] + each[1]))
    ),
    max_size=8,
)
SETS = PAIRS.map(IntervalSet.of)
CELLS = range(-40, LAST + 60)


def cells(of: IntervalSet) -> set[int]:
    """Unit cells [k, k+1) in the set; exact because all bounds are whole numbers."""
    return {
        k
        for start, end in of
        for k in range(max(int(max(start, -99)), -40), min(int(min(end, 999)), LAST + 60))
    }


def is_canonical(of: IntervalSet) -> bool:
    return bool(np.all(of.starts < of.ends) and np.all(of.ends[:-1] < of.starts[1:]))


@given(PAIRS)
def test_any_pairs_become_sorted_disjoint_and_merged(pairs: list[tuple[float, float]]) -> None:
    made = IntervalSet.of(pairs)
    assert is_canonical(made)
    assert cells(made) == {k for k in CELLS if any(a <= k and k + 1 <= b for a, b in pairs)}


@given(SETS, SETS)
def test_union_intersection_and_difference_are_those_of_sets(
    a: IntervalSet, b: IntervalSet
) -> None:
    for made, expected in [
        (a | b, cells(a) | cells(b)),
        (a & b, cells(a) & cells(b)),
        (a - b, cells(a) - cells(b)),
    ]:
        assert is_canonical(made)
        assert cells(made) == expected


@given(SETS, SETS, SETS)
def test_the_laws_of_the_algebra_hold(a: IntervalSet, b: IntervalSet, c: IntervalSet) -> None:
    assert a & (b | c) == (a & b) | (a & c)
    assert (a | b).complement() == a.complement() & b.complement()
    assert a - b == a & b.complement()
    assert a.complement().complement() == a
    assert a | EMPTY == a
    assert a & IntervalSet.everything() == a


@given(SETS, st.integers(0, 6), st.integers(0, 6))
def test_shrink_keeps_the_instants_whose_whole_surroundings_are_in_one_interval(
    a: IntervalSet, before: int, after: int
) -> None:
    kept = a.shrink(before, after)
    given_cells, kept_cells = cells(a), cells(kept)
    for k in CELLS:
        inside = all(j in given_cells for j in range(k - before, k + 1 + after))
        assert (k in kept_cells) == inside


@given(SETS, st.integers(0, 6), st.integers(0, 6))
def test_grow_reaches_as_far_as_it_says(a: IntervalSet, before: int, after: int) -> None:
    grown = cells(a.grow(before, after))
    assert grown == {
        k for k in CELLS if any(j in cells(a) for j in range(k - after, k + before + 1))
    }


@given(SETS, st.integers(0, 6), st.integers(0, 6))
def test_shrinking_after_growing_never_loses_anything(
    a: IntervalSet, before: int, after: int
) -> None:
    back = a.grow(before, after).shrink(before, after)
    assert back & a == a


@given(SETS, st.integers(-20, 20))
def test_shift_moves_every_instant(a: IntervalSet, by: int) -> None:
    assert cells(a.shift(by)) == {k + by for k in cells(a)}


@given(SETS, st.floats(-5, LAST + 20))
def test_questions_about_one_instant_agree_with_each_other(a: IntervalSet, at: float) -> None:
    held = any(start <= at < end for start, end in a)
    assert (at in a) == held == bool(a.holds([at])[0]) == (a.interval_at(at) is not None)
    ahead = [pair for pair in a if pair[1] > at]
    assert a.next_from(at) == (ahead[0] if ahead else None)
    behind = [(start, min(end, at)) for start, end in a if start < at]
    assert a.last_until(at) == (behind[-1] if behind else None)


@given(SETS, st.integers(-5, LAST + 20), st.integers(1, 20))
def test_covers_and_meets_are_all_and_any(a: IntervalSet, start: int, length: int) -> None:
    span = set(range(start, start + length))
    assert a.covers(start, start + length) == (span <= cells(a))
    assert a.meets(start, start + length) == bool(span & cells(a))


@given(SETS, st.integers(-5, LAST), st.integers(1, 40))
def test_gaps_and_clip_divide_a_span_between_them(a: IntervalSet, start: int, length: int) -> None:
    end = start + length
    gaps, inside = a.gaps(start, end), a.clip(start, end)
    assert cells(gaps) | cells(inside) == set(range(start, end))
    assert not gaps & inside
    assert gaps.total_s + inside.total_s == length


@given(st.lists(SETS, max_size=5), st.integers(1, 4))
def test_at_least_counts(sets: list[IntervalSet], count: int) -> None:
    enough = at_least(count, sets)
    assert is_canonical(enough)
    members = [cells(each) for each in sets]
    assert cells(enough) == {k for k in CELLS if sum(k in each for each in members) >= count}


@given(st.lists(SETS, min_size=1, max_size=5))
def test_union_and_intersection_of_many_fold_the_pairwise_ones(sets: list[IntervalSet]) -> None:
    assert union(sets) == at_least(1, sets)
    assert intersection(sets) == at_least(len(sets), sets)


@given(SETS)
def test_equal_sets_hash_alike_and_cannot_be_changed(a: IntervalSet) -> None:
    again = IntervalSet(a.starts, a.ends)
    assert a == again
    assert hash(a) == hash(again)
    with pytest.raises(ValueError, match="read-only"):
        a.starts[...] = 0


def test_bounds_that_make_no_sense_are_refused() -> None:
    with pytest.raises(ValueError, match="not a number"):
        IntervalSet([0.0], [float("nan")])
    with pytest.raises(ValueError, match="equally long"):
        IntervalSet([0.0, 1.0], [2.0])
    with pytest.raises(ValueError, match="at least 1"):
        at_least(0, [EMPTY])
