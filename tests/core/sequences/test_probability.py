"""Distributions of sums of independent parts."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.probability import Spread


def test_a_bounded_part_has_the_standard_uncertainty_of_a_uniform_distribution() -> None:
    # JCGM 100:2008, 4.3.7: u = a / √3 for a quantity within ± a (clause from memory, value
    # recomputed); F.2.2.1: a resolution of δx gives u = 0.29 δx.
    assert Spread(0.0, (1.0,)).standard_uncertainty_s == pytest.approx(0.57735027, abs=1e-8)
    assert Spread(0.0, (0.5,)).standard_uncertainty_s == pytest.approx(0.28867513, abs=1e-8)


def test_two_equal_bounded_parts_make_a_triangle() -> None:
    # JCGM 100:2008, 4.3.9: a triangular distribution of half-width a has u = a / √6 (clause from
    # memory, value recomputed).
    spread = Spread(0.0, (0.5, 0.5))
    assert spread.standard_uncertainty_s == pytest.approx(0.40824829, abs=1e-8)
    for x in (-0.75, -0.25, 0.1, 0.6):
        exact = 0.5 * (1 + x) ** 2 if x < 0 else 1 - 0.5 * (1 - x) ** 2
        assert float(spread.before(x)) == pytest.approx(exact, abs=1e-15)


def test_two_unequal_bounded_parts_make_a_trapezoid() -> None:
    # JCGM 100:2008, 4.3.9: half-widths a at the base and aβ at the top, u² = a² (1 + β²) / 6.
    one, other = 3.0, 1.0
    a, beta = one + other, (one - other) / (one + other)
    spread = Spread(10.0, (one, other))
    assert spread.standard_uncertainty_s**2 == pytest.approx(a**2 * (1 + beta**2) / 6)
    # On the level top the density is 1 / (a (1 + β)).
    middle = float(spread.before(11.0)) - float(spread.before(9.0))
    assert middle == pytest.approx(2.0 / (a * (1 + beta)), abs=1e-15)


@pytest.mark.parametrize(("k", "share"), [(1, 0.682689), (2, 0.954500), (3, 0.997300)])
def test_a_normal_part_holds_the_tabulated_share_within_k_sigma(k: int, share: float) -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 (values from memory, confirmed
    # with the error function).
    spread = Spread(100.0, (), (7.0,))
    within = spread.within(IntervalSet([100 - 7.0 * k], [100 + 7.0 * k]))
    assert within == pytest.approx(share, abs=2e-6)


def test_independent_parts_add_in_quadrature() -> None:
    # JCGM 100:2008, 5.1.2: u_c² = Σ (c_i u_i)².
    spread = Spread(0.0, (3.0, 4.0), (2.0, 1.0))
    assert spread.standard_uncertainty_s == pytest.approx(math.sqrt(3 + 16 / 3 + 4 + 1))


def test_twelve_equal_parts_are_nearly_normal() -> None:
    # The sum of twelve uniform parts of half-width ½ has variance 1 (central limit, JCGM 100:2008
    # G.2.2); many parts are convolved on a grid.
    spread = Spread(0.0, (0.5,) * 12)
    assert float(spread.before(1.0)) == pytest.approx(0.8413, abs=3e-3)
    assert float(spread.before(0.0)) == pytest.approx(0.5, abs=1e-6)


@given(
    st.lists(st.floats(1e-6, 1e4), min_size=1, max_size=6),
    st.floats(-1.2, 1.2),
)
@settings(max_examples=60, deadline=None)
def test_the_exact_sum_agrees_with_convolution_on_a_grid(widths: list[float], at: float) -> None:
    spread = Spread(0.0, tuple(widths))
    x = at * sum(widths)
    # Six parts or fewer are exact; with a tiny normal part the same is done on the grid.
    grid = Spread(0.0, tuple(widths), (1e-4 * max(widths),))
    exact = float(spread.before(x))
    assert 0.0 <= exact <= 1.0
    assert float(grid.before(x)) == pytest.approx(exact, abs=2e-3)


def test_the_exact_sum_keeps_its_digits_when_parts_differ_by_many_orders() -> None:
    # In floating point the terms of this sum cancel altogether.
    spread = Spread(0.0, (1e5, 1e-3, 1e-3, 1e-3))
    assert float(spread.before(5e4)) == pytest.approx(0.75, abs=1e-12)
    # The narrow parts only matter at the ends: there the mean of the overshoot remains.
    assert float(spread.before(-1e5)) == pytest.approx(0.0, abs=1e-8)


@given(
    st.lists(st.floats(0.1, 100.0), min_size=0, max_size=4),
    st.lists(st.floats(0.1, 100.0), min_size=0, max_size=2),
    st.integers(0, 2**32),
)
@settings(max_examples=40, deadline=None)
def test_probabilities_agree_with_monte_carlo(
    widths: list[float], sigmas: list[float], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    count = 40_000
    draws = np.full(count, 5.0)
    for width in widths:
        draws += rng.uniform(-width, width, count)
    for sigma in sigmas:
        draws += rng.normal(0, sigma, count)
    reach = sum(widths) + 2 * sum(sigmas) + 1
    edges = np.sort(rng.uniform(5 - reach, 5 + reach, 6))
    instants = IntervalSet(edges[0::2], edges[1::2])
    spread = Spread(5.0, tuple(widths), tuple(sigmas))
    drawn = float(instants.holds(draws).mean())
    # Five standard deviations of the drawn share.
    assert spread.within(instants) == pytest.approx(drawn, abs=5 * 0.5 / math.sqrt(count))


def test_an_instant_known_exactly_is_in_a_set_or_it_is_not() -> None:
    contact = IntervalSet([10.0], [20.0])
    assert Spread(10.0).within(contact) == 1.0
    assert Spread(20.0).within(contact) == 1.0
    assert Spread(20.1).within(contact) == 0.0
