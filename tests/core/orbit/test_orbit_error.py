"""How well an orbit is known, and what is assumed where nothing says it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from orbits import geostationary, invented

from contactd.core.orbit.assumed_error import (
    Shape,
    assumed_error,
    assumed_of_state,
    assumed_of_table,
    shape_of_elements,
    shape_of_state,
)
from contactd.core.orbit.orbit_error import EXACT, LEAST_BOUND_S, OrbitError, Origin
from contactd.core.orbit.sgp4_track import Sgp4Track

DAY = 86_400.0


def test_the_bound_is_a_polynomial_of_the_distance_from_the_epoch_either_way() -> None:
    error = OrbitError(0.5, 2.0, 3.0, centre=(1.0, -2.0, 4.0))
    days = np.array([-2.0, 0.0, 2.0])
    assert error.bounds_s(days * DAY) == pytest.approx([10.5, 0.5, 10.5])
    assert error.centres_s(days * DAY) == pytest.approx([13.0, 1.0, 5.0])


def test_what_was_looked_at_up_to_some_age_is_half_as_wide_again_beyond_it() -> None:
    error = OrbitError(1.0, reliable_s=15 * DAY)
    assert error.at_age_s(15 * DAY) == 1.0
    assert error.at_age_s(15.01 * DAY) == 1.5


def test_only_what_is_called_exact_has_no_error() -> None:
    assert OrbitError(0.0).never_zero().at_epoch_s == LEAST_BOUND_S
    assert EXACT.never_zero().at_epoch_s == 0.0
    assert EXACT.is_exact
    assert not OrbitError(0.0).is_exact


@pytest.mark.parametrize(
    ("shape", "at_epoch_s", "per_day_s", "across_km"),
    [
        (Shape(420.0, 0.001, 15.5, days_in_orbit=2.0), 10.0, 20.0, 5.0),
        (Shape(420.0, 0.001, 15.5, days_in_orbit=700.0), 1.0, 4.0, 1.0),
        (Shape(420.0, 0.6, 2.3), 3.0, 2.0, 5.0),
        (Shape(300.0, 0.001, 15.9), 2.0, 5.0, 1.0),
        (Shape(500.0, 0.001, 15.2), 0.7, 1.0, 0.7),
        (Shape(600.0, 0.001, 14.9), 0.5, 0.4, 0.7),
        (Shape(1200.0, 0.001, 13.2), 0.4, 0.2, 0.7),
        (Shape(20_200.0, 0.01, 2.0), 3.0, 0.3, 3.0),
        (Shape(35_786.0, 0.0, 1.0027), 10.0, 5.0, 10.0),
    ],
)  # fmt: skip
def test_each_class_of_orbit_has_its_figures(
    shape: Shape, at_epoch_s: float, per_day_s: float, across_km: float
) -> None:
    found = assumed_error(shape)
    assert found.origin is Origin.ASSUMED
    assert (found.at_epoch_s, found.per_day_s, found.radial_km) == (
        at_epoch_s, per_day_s, across_km,
    )  # fmt: skip
    assert found.cross_track_km == found.radial_km
    assert found.basis


def test_few_sets_of_an_object_that_has_circled_for_years_do_not_make_it_newly_released() -> None:
    new = replace(invented(), revolution_number=40)
    old = replace(invented(), revolution_number=48_280)
    assert assumed_error(shape_of_elements(new, 1)).basis == "newly released objects"
    unsaid = replace(invented(), revolution_number=0)
    assert assumed_error(shape_of_elements(unsaid, 4)).basis == "newly released objects"
    assert assumed_error(shape_of_elements(new, 5)).basis != "newly released objects"
    assert assumed_error(shape_of_elements(old, 1)).basis == "perigees of 550 to 700 km"


def test_a_state_belongs_to_the_class_of_its_elements() -> None:
    for elements in (
        invented(14.9, 0.001),
        invented(2.3, 0.7, inclination_deg=20.0),
        geostationary(12.0),
    ):
        position, velocity = Sgp4Track(elements).states(np.array([elements.epoch + 700.0]))
        found = shape_of_state(tuple(position[0]), tuple(velocity[0]))
        known = shape_of_elements(elements, 9)
        assert found.perigee_km == pytest.approx(known.perigee_km, abs=60.0)
        assert found.eccentricity == pytest.approx(known.eccentricity, abs=3e-3)
        assert found.mean_motion_rev_per_day == pytest.approx(
            known.mean_motion_rev_per_day, rel=6e-3
        )


def test_a_table_of_states_is_taken_to_be_better_than_element_sets() -> None:
    shape = Shape(500.0, 0.001, 15.2, days_in_orbit=1.0)
    table = assumed_of_table(shape)
    assert table.at_epoch_s == pytest.approx(0.21)
    assert table.origin is Origin.ASSUMED


@pytest.mark.parametrize("seed", range(6))
def test_an_earth_that_turned_further_is_within_the_error_that_allows_for_it(seed: int) -> None:
    # Source: geometry: a turn about the pole by w s moves a satellite by w s z x r.
    random = np.random.default_rng(seed)
    for _ in range(200):
        lowest = random.uniform(6_550.0, 42_000.0)
        eccentricity = random.uniform(0.0, 0.74)
        highest = lowest * (1 + eccentricity) / (1 - eccentricity)
        axis = 0.5 * (lowest + highest)
        anomaly = random.uniform(0.0, 2 * np.pi)
        parameter = axis * (1 - eccentricity**2)
        radius = parameter / (1 + eccentricity * np.cos(anomaly))
        root = np.sqrt(398_600.4418 / parameter)
        out, along = root * eccentricity * np.sin(anomaly), root * parameter / radius
        radial, normal = np.linalg.qr(random.normal(size=(3, 2)))[0].T
        transverse = np.cross(normal, radial)
        moved = 7.292115e-5 * 0.4 * np.cross([0.0, 0.0, 1.0], radius * radial)
        seconds = moved @ transverse / along
        error = OrbitError(0.0).with_earth_turned(0.4, highest)
        assert abs(seconds) <= error.at_epoch_s
        assert abs(moved @ radial - out * seconds) <= error.radial_km
        assert abs(moved @ normal) <= error.cross_track_km


def test_a_propagated_state_is_assumed_to_lack_what_the_forces_leave_out() -> None:
    low, high = Shape(400.0, 0.001, 15.5), Shape(20_000.0, 0.001, 2.0)
    week_s = 7 * 86_400.0
    for shape in (low, high):
        usual = assumed_error(shape)
        dark, lit = (assumed_of_state(shape, lit=lit) for lit in (False, True))
        # Source: 0.9 s in seven days of radiation pressure at high orbits.
        assert dark.at_age_s(week_s) - lit.at_age_s(week_s) >= 0.9
        assert lit.at_age_s(week_s) >= usual.at_age_s(week_s)
        assert "propagated" in dark.basis
    # Source: package brahe, EGM2008 to degree 20 against 70 at 400 km.
    assert (
        assumed_of_state(low, lit=True).at_age_s(week_s) - assumed_error(low).at_age_s(week_s)
        > 0.44
    )
