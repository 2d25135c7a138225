"""Crossings of any continuous function of time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.intervals import EMPTY, IntervalSet, union
from contactd.core.orbit import crossings
from contactd.core.orbit.crossings import positive_intervals


def test_a_sines_positive_halves_are_found_to_the_tolerance() -> None:
    found = positive_intervals(lambda at: np.sin(at / 100.0), IntervalSet([-50.0], [2000.0]), 30.0)
    assert np.allclose(found.starts, np.arange(0, 2000, 200 * np.pi), atol=1e-4)
    assert np.allclose(found.ends[:-1], np.arange(100 * np.pi, 1900, 200 * np.pi), atol=1e-4)
    assert found.ends[-1] <= 2000.0


@given(st.lists(st.floats(0, 1000), min_size=2, max_size=8, unique=True), st.booleans())
@settings(max_examples=100, deadline=None)
def test_a_polynomials_roots_are_its_intervals_ends(roots: list[float], flipped: bool) -> None:
    roots = sorted(roots)
    if min(np.diff(roots)) < 5.0:
        return
    sign = -1.0 if flipped else 1.0
    found = positive_intervals(
        lambda at: sign * np.prod([(at - root) / 100 for root in roots], axis=0),
        IntervalSet([-1.0], [1001.0]),
        2.0,
    )
    edges = [-1.0, *roots, 1001.0]
    first = 0 if (sign > 0) == (len(roots) % 2 == 0) else 1
    pairs = [(edges[k], edges[k + 1]) for k in range(first, len(edges) - 1, 2)]
    assert np.allclose(found.starts, [pair[0] for pair in pairs], atol=2e-4)
    assert np.allclose(found.ends, [pair[1] for pair in pairs], atol=2e-4)


def test_a_short_dip_between_two_samples_is_not_missed() -> None:
    found = positive_intervals(
        lambda at: np.abs(at - 47.0) - 0.5, IntervalSet([0.0], [100.0]), 10.0
    )
    assert np.allclose(found.gaps(0, 100).starts, [46.5], atol=2e-4)
    assert np.allclose(found.gaps(0, 100).ends, [47.5], atol=2e-4)


def test_a_short_bump_between_two_samples_is_not_missed() -> None:
    found = positive_intervals(lambda at: 0.25 - (at - 52.0) ** 2, IntervalSet([0.0], [100.0]), 7.0)
    assert np.allclose((found.starts, found.ends), [[51.5], [52.5]], atol=2e-4)


def test_only_what_lies_within_is_asked_and_nan_is_not_positive() -> None:
    def quantity(at: np.ndarray) -> np.ndarray:
        assert ((at >= 10) & (at < 20)).all()
        return np.where(at > 15, np.nan, 1.0)

    found = positive_intervals(quantity, IntervalSet([10], [20]), 1.0)
    assert len(found) == 1
    assert found.starts[0] == 10.0
    assert found.ends[0] == pytest.approx(15.0, abs=1e-4)


def test_what_is_always_or_never_positive_has_the_spans_own_ends() -> None:
    assert positive_intervals(np.ones_like, IntervalSet([3.0], [9.0]), 1.0) == IntervalSet(
        [3.0], [9.0]
    )
    assert positive_intervals(lambda at: -np.ones_like(at), IntervalSet([3.0], [9.0]), 1.0) == EMPTY
    assert positive_intervals(np.ones_like, EMPTY, 1.0) == EMPTY


def test_a_search_without_bound_is_refused() -> None:
    with pytest.raises(ValueError, match="too long"):
        positive_intervals(np.ones_like, IntervalSet([0.0], [1e9]), 1.0)


@given(st.lists(st.floats(0, 1000), min_size=2, max_size=12, unique=True), st.integers(1, 200))
@settings(max_examples=100, deadline=None)
def test_spans_searched_together_give_what_each_gives_alone(
    edges: list[float], at_once: int
) -> None:
    edges = sorted(edges)[: len(edges) // 2 * 2]
    spans = IntervalSet(edges[0::2], edges[1::2])

    def quantity(at: np.ndarray) -> np.ndarray:
        return np.sin(at / 9.0) - 0.3 * np.cos(at / 5.0)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(crossings, "SAMPLES_AT_ONCE", at_once)
        together = positive_intervals(quantity, spans, 2.0)
    alone = [positive_intervals(quantity, IntervalSet([a], [b]), 2.0) for a, b in spans]
    assert together == union(alone)
