"""Forces on a satellite."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import assoc_legendre_p_all

from contactd.core.instants import from_text
from contactd.core.orbit.eclipse import sunlit_fraction, visible_part
from contactd.core.orbit.forces import (
    EARTH_RADIUS_KM,
    MU_KM3_S2,
    MU_MOON_KM3_S2,
    MU_SUN_KM3_S2,
    Acceleration,
    Forces,
    Gravity,
    air_density_kg_m3,
    altitude_km,
    unnormalised,
)
from contactd.core.orbit.frames import fixed_to_geodetic
from contactd.core.orbit.moon import moon_position_km
from contactd.core.orbit.states import Spacecraft
from contactd.core.orbit.sun import sun_position_km

EPOCH = from_text("2026-03-01T00:00:00Z")


def potential(position: np.ndarray) -> float:
    """The Earth's potential by scipy's Legendre functions: another way than the recursion."""
    x, y, z = position
    r = np.linalg.norm(position)
    longitude = np.arctan2(y, x)
    legendre = assoc_legendre_p_all(20, 20, z / r)[0]
    total = 1.0
    for n in range(2, 21):
        for m in range(n + 1):
            c, s = unnormalised(n, m)
            shape = c * np.cos(m * longitude) + s * np.sin(m * longitude)
            # scipy's functions carry the Condon-Shortley phase, geodesy's do not.
            total += (EARTH_RADIUS_KM / r) ** n * (-1) ** m * legendre[n, m] * shape
    return float(MU_KM3_S2 / r * total)


def test_the_zonal_terms_are_the_published_ones() -> None:
    # Source: EGM2008, tide-free (Pavlis et al. 2012); J2, J3 and J4 as handbooks print them.
    assert -unnormalised(2, 0)[0] == pytest.approx(1.08262617e-3, abs=5e-12)
    assert -unnormalised(3, 0)[0] == pytest.approx(-2.5324e-6, abs=1e-10)
    assert -unnormalised(4, 0)[0] == pytest.approx(-1.6199e-6, abs=1e-10)


@pytest.mark.parametrize("seed", range(12))
def test_the_pull_is_the_slope_of_the_potential(seed: int) -> None:
    generator = np.random.default_rng(seed)
    position = generator.normal(size=3)
    position *= generator.uniform(6500, 45000) / np.linalg.norm(position)
    step = 0.05
    slope = [
        (potential(position + step * axis) - potential(position - step * axis)) / (2 * step)
        for axis in np.eye(3)
    ]
    assert Gravity()(*position) == pytest.approx(slope, abs=1e-11)


def test_without_harmonics_the_earth_is_a_point() -> None:
    assert Gravity(0)(7000.0, 0.0, 0.0) == pytest.approx((-MU_KM3_S2 / 7000.0**2, 0, 0), rel=1e-15)


def test_the_sun_and_the_moon_pull_as_points_of_mass() -> None:
    # Source: Montenbruck and Gill, equation 3.37.
    position = np.array([42164.0, 0.0, 0.0])
    state = np.array([*position, 0.0, 3.07, 0.0])
    t = 123_456.0
    alone = np.array(
        Acceleration(Forces(sun=False, moon=False), Spacecraft(), EPOCH, 0, 2e5)(t, state)
    )
    for body, mu, forces in (
        (sun_position_km, MU_SUN_KM3_S2, Forces(moon=False)),
        (moon_position_km, MU_MOON_KM3_S2, Forces(sun=False)),
    ):
        both = np.array(Acceleration(forces, Spacecraft(), EPOCH, 0, 2e5)(t, state))
        there = body(np.array([EPOCH + t]))[0]
        away = there - position
        expected = mu * (away / np.linalg.norm(away) ** 3 - there / np.linalg.norm(there) ** 3)
        assert (both - alone)[3:] == pytest.approx(expected, rel=1e-5, abs=1e-15)


@pytest.mark.parametrize(
    ("altitude", "density"), [(0, 1.225), (200, 2.789e-10), (500, 6.967e-13), (1000, 3.019e-15)]
)
def test_the_airs_density_is_the_tables_at_its_bases(altitude: float, density: float) -> None:
    # Source: Vallado, table 8-4.
    assert air_density_kg_m3(altitude) == density


def test_the_airs_density_only_falls_and_jumps_by_little_between_the_layers() -> None:
    # Source: Vallado, table 8-4: each layer's scale height leads to the next layer's density.
    heights = np.linspace(0, 1500, 15001)
    density = np.array([air_density_kg_m3(float(h)) for h in heights])
    assert (np.diff(np.log(density)) < 0.02).all()
    assert air_density_kg_m3(-5.0) > 1.225


def test_drag_acts_against_the_motion_through_the_turning_air() -> None:
    # Source: a = -1/2 rho Cd A/m v^2 (Montenbruck and Gill, equation 3.97).
    craft = Spacecraft(mass_kg=50.0, drag_area_m2=0.5, drag_coefficient=2.0)
    state = np.array([6778.0, 0.0, 0.0, 0.0, 7.67, 0.0])
    with_air = np.array(Acceleration(Forces(), craft, EPOCH, 0, 10)(0.0, state))
    without = np.array(Acceleration(Forces(drag=False), craft, EPOCH, 0, 10)(0.0, state))
    speed = 7.67 - 7.292115e-5 * 6778.0
    rho = air_density_kg_m3(6778.0 - EARTH_RADIUS_KM)
    expected = -0.5 * rho * 2.0 * 0.5 / 50.0 * (speed * 1000) ** 2 / 1000
    assert (with_air - without)[3:] == pytest.approx([0, expected, 0], rel=1e-4, abs=1e-20)


def test_the_height_is_that_above_the_ellipsoid() -> None:
    for latitude in np.radians([0.0, 20.0, 45.0, 70.0, 90.0]):
        x, z = 6900.0 * np.cos(latitude), 6900.0 * np.sin(latitude)
        exact = fixed_to_geodetic(np.array([x, 0.0, z]))[2] / 1000
        assert altitude_km(x, 0.0, z) == pytest.approx(exact, abs=0.06)


def test_sunlight_pushes_away_from_the_sun_as_far_as_it_is_seen() -> None:
    # Source: 1361 W/m2 (IAU 2015 Resolution B3) over c: 4.54e-6 N/m2 on a black surface.
    craft = Spacecraft(mass_kg=50.0, radiation_area_m2=2.0, radiation_coefficient=1.5)
    only = Forces(0, drag=False, sun=False, moon=False)
    dark = replace(only, radiation=False)
    sun = sun_position_km(np.array([EPOCH]))[0]
    toward = sun / np.linalg.norm(sun)
    lit, shaded = (
        (
            np.array(Acceleration(only, craft, EPOCH, 0.0, 60.0)(0.0, state))
            - np.array(Acceleration(dark, craft, EPOCH, 0.0, 60.0)(0.0, state))
        )[3:]
        for state in (np.array([*(7000.0 * sense * toward), 0.0, 0.0, 0.0]) for sense in (1, -1))
    )
    distance_au = (np.linalg.norm(sun) - 7000.0) / 149_597_870.7
    expected_km_s2 = 1361.0 / 299_792_458.0 * 1.5 * 2.0 / 50.0 / 1000.0 / distance_au**2
    assert lit == pytest.approx(-expected_km_s2 * toward, rel=1e-4, abs=1e-15)
    assert not shaded.any()


def test_the_part_of_the_sun_that_is_seen_is_the_same_for_one_place_as_for_many() -> None:
    generator = np.random.default_rng(5)
    at = EPOCH + np.zeros(4000)
    sun = sun_position_km(at)
    behind = -sun / np.linalg.norm(sun, axis=1, keepdims=True)
    aside = generator.normal(size=(4000, 3))
    aside -= (aside * behind).sum(axis=1, keepdims=True) * behind
    aside *= generator.uniform(6000, 6700, (4000, 1)) / np.linalg.norm(aside, axis=1, keepdims=True)
    places = behind * generator.uniform(-2000, 42000, (4000, 1)) + aside
    places = places[np.linalg.norm(places, axis=1) > 6450.0]
    many = sunlit_fraction(at[: len(places)], places)
    one = [visible_part(*place, *sun[0]) for place in places]
    assert one == pytest.approx(many, abs=1e-5)
    assert ((many > 0.01) & (many < 0.99)).sum() > 100


def test_a_field_that_is_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="gravity_degree"):
        Forces(gravity_degree=21)
