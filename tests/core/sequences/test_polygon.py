"""Convex polygons and the piecewise linear bounds that come from them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from contactd.core.sequences.curves import Curve
from contactd.core.sequences.polygon import Polygon

Slopes = st.integers(-30, 30).map(lambda tenths: tenths / 10)
Cuts = st.lists(st.tuples(Slopes, Slopes, st.floats(-2, 6)), min_size=0, max_size=8)


@given(Cuts, st.floats(-2, 2), st.floats(-2, 2))
@settings(max_examples=150, deadline=None)
def test_extremes_at_vertices_are_those_of_linear_programming(
    cuts: list[tuple[float, float, float]], a: float, b: float
) -> None:
    # Reference: scipy's linear programming (HiGHS) on the same half-planes.
    polygon = Polygon.box((0.0, -1.0), (4.0, 2.0))
    for x, y, limit in cuts:
        polygon = polygon.cut(x, y, limit)
    given_cuts = {
        "A_ub": [[x, y] for x, y, _ in cuts] or None,
        "b_ub": [limit for *_, limit in cuts] or None,
        "bounds": [(0.0, 4.0), (-1.0, 2.0)],
    }
    least, most = linprog([a, b], **given_cuts), linprog([-a, -b], **given_cuts)
    if polygon.is_empty:
        # A sliver thinner than the solver's tolerance may be told either way.
        shrunk = linprog([a, b], **(given_cuts | {"b_ub": [c[2] - 1e-6 for c in cuts] or None}))
        assert not shrunk.success
        return
    assert least.success
    low, high = polygon.extremes(a, b)
    assert low == pytest.approx(least.fun, abs=1e-6)
    assert high == pytest.approx(-most.fun, abs=1e-6)


@given(Cuts)
@settings(max_examples=150, deadline=None)
def test_the_sides_of_a_polygon_bound_it_at_every_column(
    cuts: list[tuple[float, float, float]],
) -> None:
    polygon = Polygon.box((0.0, -1.0), (4.0, 2.0))
    for x, y, limit in cuts:
        polygon = polygon.cut(x, y, limit)
    if polygon.is_empty:
        return
    knots, least, most = polygon.sides()
    assert (np.diff(knots) > 0).all()
    for column in np.linspace(knots[0], knots[-1], 7):
        low, high = np.interp(column, knots, least), np.interp(column, knots, most)
        assert low <= high + 1e-9
        # Just beyond the side is outside, halfway between is inside.
        for x, y, limit in cuts:
            assert x * column + y * (low + high) / 2 <= limit + 1e-5
        above = column, high + 1e-3
        outside = [x * above[0] + y * above[1] - limit for x, y, limit in cuts]
        assert max([*outside, above[1] - 2.0]) > -2e-3


def test_a_segment_and_a_point_are_polygons_too() -> None:
    segment = Polygon.box((1.0, 0.0), (1.0, 2.0))
    assert segment.area == 0.0
    assert segment.cut(0.0, 1.0, 0.5).extremes(0.0, 1.0) == (0.0, 0.5)
    point = Polygon.box((1.0, 1.0), (1.0, 1.0))
    assert len(point.vertices) == 1
    assert point.cut(1.0, 0.0, 0.999).is_empty


@given(st.lists(st.floats(-5, 5), min_size=4, max_size=4))
def test_the_greater_of_two_lines_has_a_knot_where_they_cross(values: list[float]) -> None:
    one = Curve(np.array([0.0, 1.0]), np.array(values[:2]))
    other = Curve(np.array([0.0, 1.0]), np.array(values[2:]))
    x = np.linspace(0, 1, 41)
    upper, lower = one.higher(other), one.lower(other)
    assert upper.at(x) == pytest.approx(np.maximum(one.at(x), other.at(x)), abs=1e-9)
    assert lower.at(x) == pytest.approx(np.minimum(one.at(x), other.at(x)), abs=1e-9)
    assert lower.greatest == pytest.approx(np.minimum(one.at(x), other.at(x)).max(), abs=0.3)
