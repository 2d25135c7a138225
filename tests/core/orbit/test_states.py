"""Osculating states and elements."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.orbit.states import (
    KeplerElements,
    StateVector,
    eccentric_anomaly_rad,
    kepler_from_state,
    mean_anomaly_deg,
    orbital_axes,
    state_from_cartesian,
    state_from_kepler,
    to_frame,
)


def test_keplers_equation_is_solved_as_in_vallados_example_2_1() -> None:
    # Source: Vallado, Fundamentals of Astrodynamics and Applications, example 2-1 (from memory,
    # confirmed by computing): M 235.4 degrees, e 0.4 gives E 220.512074767522 degrees.
    found = np.degrees(eccentric_anomaly_rad(np.radians(235.4), 0.4))
    assert found == pytest.approx(220.512074767522, abs=1e-9)


@given(st.floats(-20, 20), st.floats(0, 0.999))
@settings(max_examples=300, deadline=None)
def test_keplers_equation_holds_for_every_ellipse(mean: float, eccentricity: float) -> None:
    found = eccentric_anomaly_rad(mean, eccentricity)
    back = found - eccentricity * np.sin(found)
    assert abs(np.remainder(back - mean + np.pi, 2 * np.pi) - np.pi) < 1e-12


def test_elements_turn_into_the_state_of_vallados_example_2_6() -> None:
    # Source: Vallado, example 2-6 (COE2RV), from memory, confirmed by computing to its last
    # printed digits: p 11067.790 km, e 0.83285, i 87.87, node 227.89, argp 53.38, nu 92.335.
    eccentricity = 0.83285
    elements = KeplerElements(
        0.0,
        11067.790 / (1 - eccentricity**2),
        eccentricity,
        87.87,
        227.89,
        53.38,
        mean_anomaly_deg(92.335, eccentricity),
    )
    state = state_from_kepler(elements)
    assert state.position_km == pytest.approx([6525.344, 6861.535, 6449.125], abs=0.05)
    assert state.velocity_km_s == pytest.approx([4.902276, 5.533124, -1.975709], abs=2e-5)


def test_the_state_of_vallados_example_2_5_turns_into_its_elements() -> None:
    # Source: Vallado, example 2-5 (RV2COE), from memory, confirmed by computing.
    state = StateVector(0.0, (6524.834, 6862.875, 6448.296), (4.901327, 5.533756, -1.976341))
    elements = kepler_from_state(state)
    assert elements.semi_major_axis_km == pytest.approx(36127.343, abs=0.02)
    assert elements.eccentricity == pytest.approx(0.832853, abs=1e-6)
    assert elements.inclination_deg == pytest.approx(87.870, abs=1e-3)
    assert elements.raan_deg == pytest.approx(227.898, abs=1e-3)
    assert elements.argument_of_perigee_deg == pytest.approx(53.38, abs=5e-3)
    assert elements.mean_anomaly_deg == pytest.approx(
        mean_anomaly_deg(92.335, elements.eccentricity), abs=5e-3
    )


@given(
    st.tuples(
        st.floats(6600, 60000),
        st.floats(0, 0.9),
        st.floats(0, 180),
        st.floats(0, 359.9),
        st.floats(0, 359.9),
        st.floats(0, 359.9),
    )
)
@settings(max_examples=200, deadline=None)
def test_elements_and_states_turn_into_each_other(numbers: tuple[float, ...]) -> None:
    elements = KeplerElements(0.0, *numbers)
    state = state_from_kepler(elements)
    again = state_from_kepler(kepler_from_state(state))
    assert again.position_km == pytest.approx(state.position_km, abs=1e-4)
    assert again.velocity_km_s == pytest.approx(state.velocity_km_s, abs=1e-7)


def test_what_is_no_ellipse_is_refused() -> None:
    with pytest.raises(ValueError, match="ellipse"):
        state_from_kepler(KeplerElements(0.0, 7000.0, 1.0, 0, 0, 0, 0))
    with pytest.raises(ValueError, match="ellipse"):
        state_from_kepler(KeplerElements(0.0, -7000.0, 0.1, 0, 0, 0, 0))
    with pytest.raises(ValueError, match="not bound"):
        kepler_from_state(StateVector(0.0, (7000.0, 0.0, 0.0), (0.0, 11.0, 0.0)))
    with pytest.raises(ValueError, match="turns with the Earth"):
        state_from_kepler(KeplerElements(0.0, 7000.0, 0.1, 0, 0, 0, 0), "ITRF")


def test_a_state_keeps_through_any_frame() -> None:
    position, velocity = (7000.0, 100.0, -20.0), (0.1, 5.0, 5.5)
    for frame in ("TEME", "ITRF", "EME2000", "GCRF"):
        state = state_from_cartesian(frame, 8e8, position, velocity)
        back = to_frame(state, frame)
        assert back[0] == pytest.approx(position, abs=1e-8)
        assert back[1] == pytest.approx(velocity, abs=1e-11)


def test_local_axes_point_up_ahead_and_across() -> None:
    # Source: CCSDS 502.0-B-3, 3.2.4.11: RTN radial, transverse, normal; TNW along the velocity.
    r, v = np.array([7000.0, 0.0, 0.0]), np.array([1.0, 7.0, 0.0])
    assert np.allclose(orbital_axes(r, v, "RTN"), np.eye(3))
    along, inward, normal = orbital_axes(r, v, "TNW")
    assert np.allclose(along, v / np.linalg.norm(v))
    assert np.allclose(normal, [0, 0, 1])
    assert np.allclose(np.cross(along, inward), normal)
    with pytest.raises(ValueError, match="LVLH"):
        orbital_axes(r, v, "LVLH")
