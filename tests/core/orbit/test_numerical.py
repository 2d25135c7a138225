"""Tracks propagated from one state."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from contactd.core.instants import from_text
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit import parse_omm
from contactd.core.orbit.forces import MU_KM3_S2, Forces, air_density_kg_m3
from contactd.core.orbit.inertial import inertial_to_teme
from contactd.core.orbit.numerical import LOWEST_ALTITUDE_KM, MAX_SPAN_S, NumericalTrack
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import (
    KeplerElements,
    Spacecraft,
    StateVector,
    kepler_from_state,
    state_from_kepler,
)

EPOCH = from_text("2026-03-01T00:00:00Z")
POINT = Forces(gravity_degree=0, drag=False, sun=False, moon=False)


def elements(**changes: float) -> KeplerElements:
    values = {
        "semi_major_axis_km": 7078.137,
        "eccentricity": 0.001,
        "inclination_deg": 51.6,
        "raan_deg": 40.0,
        "argument_of_perigee_deg": 90.0,
        "mean_anomaly_deg": 10.0,
    } | changes
    return KeplerElements(EPOCH, mu_km3_s2=MU_KM3_S2, **values)


def in_teme_of_epoch(track: NumericalTrack, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """States in the inertial frame that is TEME at the epoch."""
    turn = inertial_to_teme("GCRF", at) @ inertial_to_teme("GCRF", np.array([EPOCH]))[0].T
    position, velocity = track.states(at)
    return np.einsum("nji,nj->ni", turn, position), np.einsum("nji,nj->ni", turn, velocity)


@pytest.mark.parametrize(("a", "e"), [(7000.0, 0.0), (7000.0, 0.02), (26600.0, 0.72)])
def test_about_a_point_of_mass_the_path_is_keplers_ellipse(a: float, e: float) -> None:
    # Source: Kepler's equation.
    start = elements(semi_major_axis_km=a, eccentricity=e)
    track = NumericalTrack(
        "x", state_from_kepler(start), (EPOCH - 86400, EPOCH + 86400), forces=POINT
    )
    at = EPOCH + np.linspace(-86000, 86000, 57)
    position, velocity = in_teme_of_epoch(track, at)
    mean_motion = np.degrees(np.sqrt(MU_KM3_S2 / a**3))
    for index, instant in enumerate(at):
        later = elements(
            semi_major_axis_km=a,
            eccentricity=e,
            mean_anomaly_deg=10.0 + mean_motion * (instant - EPOCH),
        )
        exact = state_from_kepler(later)
        assert position[index] == pytest.approx(exact.position_km, abs=2e-3)
        assert velocity[index] == pytest.approx(exact.velocity_km_s, abs=2e-6)


def test_an_oblate_earth_turns_the_node_as_theory_says() -> None:
    # Source: secular J2 rate of the node, -4.298743 degrees a day at 700 km and 51.6 degrees
    # (Vallado, equation 9-37, computed; first order, so that 0.3 % is left).
    forces = Forces(gravity_degree=2, zonal_only=True, drag=False, sun=False, moon=False)
    track = NumericalTrack(
        "x", state_from_kepler(elements()), (EPOCH, EPOCH + 5 * 86400 + 1), forces=forces
    )
    at = EPOCH + np.linspace(0, 5 * 86400, 4000)
    position, velocity = in_teme_of_epoch(track, at)
    nodes = [
        kepler_from_state(StateVector(0.0, tuple(r), tuple(v))).raan_deg
        for r, v in zip(position, velocity, strict=True)
    ]
    slope = np.polyfit((at - EPOCH) / 86400, np.degrees(np.unwrap(np.radians(nodes))), 1)[0]
    assert slope == pytest.approx(-4.298743, rel=3e-3)


def test_in_a_field_that_does_not_turn_energy_and_spin_are_kept() -> None:
    # Source: conservation of energy, and of angular momentum about the axis of a zonal field.
    forces = Forces(zonal_only=True, drag=False, sun=False, moon=False)
    track = NumericalTrack(
        "x", state_from_kepler(elements()), (EPOCH, EPOCH + 86401), forces=forces
    )
    at = EPOCH + np.linspace(0, 86400, 500)
    position, velocity = in_teme_of_epoch(track, at)
    spin = np.cross(position, velocity)[:, 2]
    assert np.ptp(spin) / abs(spin[0]) < 2e-9


def test_the_air_brings_a_circular_orbit_down_as_theory_says() -> None:
    # Source: da per revolution = -2 pi (Cd A / m) rho a^2 for a circular orbit (Wertz and Larson,
    # Space Mission Analysis and Design, 3rd ed., equation 6-23). Over the poles the turning of the
    # air hardly adds to the speed.
    craft = Spacecraft(mass_kg=100.0, drag_area_m2=1.0, drag_coefficient=2.2)
    forces = Forces(gravity_degree=0, sun=False, moon=False)
    a = 6778.1363
    start = elements(semi_major_axis_km=a, eccentricity=0.0, inclination_deg=90.0)
    track = NumericalTrack("x", state_from_kepler(start), (EPOCH, EPOCH + 86400), craft, forces)
    period = 2 * np.pi * np.sqrt(a**3 / MU_KM3_S2)
    position, velocity = track.states(EPOCH + np.array([0.0, 5 * period]))
    axes = 1 / (2 / np.linalg.norm(position, axis=1) - (velocity**2).sum(axis=1) / MU_KM3_S2)
    # The ellipsoid's height varies over the poles, and the air's density with it.
    latitudes = np.linspace(0, 2 * np.pi, 721)
    heights = a - 6378.1363 * (1 - np.sin(latitudes) ** 2 / 298.257)
    rho = np.mean([air_density_kg_m3(float(h)) for h in heights])
    lost_km = 2 * np.pi * 0.022 * rho * (a * 1000) ** 2 / 1000
    assert (axes[0] - axes[1]) / 5 == pytest.approx(lost_km, rel=0.03)


def test_the_sun_and_the_moon_tilt_a_geostationary_orbit_by_almost_a_degree_a_year() -> None:
    # Source: 0.75 to 0.95 degree a year, as the Moon's node wanders (Soop, Handbook of
    # Geostationary Orbits, section 4.3; common practice of station keeping).
    start = elements(semi_major_axis_km=42164.17, eccentricity=0.0001, inclination_deg=0.01)
    track = NumericalTrack(
        "x", state_from_kepler(start), (EPOCH, EPOCH + 57 * 86400), forces=Forces(drag=False)
    )
    at = EPOCH + np.array([0.0, 54.64 * 86400])  # two turns of the Moon
    position, velocity = in_teme_of_epoch(track, at)
    pole = np.cross(position, velocity)
    pole /= np.linalg.norm(pole, axis=1, keepdims=True)
    tilt = np.degrees(np.arccos(pole[0] @ pole[1])) / 54.64 * 365.25
    assert 0.6 < tilt < 1.05


def test_a_day_after_an_element_sets_epoch_sgp4_and_the_integrator_are_near_each_other() -> None:
    # Source: SGP4 of the sgp4 wheel; its short-period terms leave metres a second unsaid, so that
    # some kilometres along the track come of a day.
    data = Path(__file__).parents[2] / "reference" / "data" / "S03.omm"
    (mean,) = parse_omm(data.read_text())
    sgp4 = Sgp4Track(mean)
    position, velocity = sgp4.states(np.array([mean.epoch]))
    state = StateVector(mean.epoch, tuple(position[0]), tuple(velocity[0]))
    track = NumericalTrack("x", state, (mean.epoch, mean.epoch + 86400))
    at = mean.epoch + np.arange(0, 86400, 600.0)
    ours, theirs = track.states(at)[0], sgp4.states(at)[0]
    apart = np.linalg.norm(ours - theirs, axis=1)
    assert apart[:10].max() < 1.5
    assert apart.max() < 8.0
    # Across the track there is no reason to part.
    across = np.cross(theirs, sgp4.states(at)[1])
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    assert np.abs(((ours - theirs) * across).sum(axis=1)).max() < 0.5


def test_the_track_ends_where_the_satellite_comes_down() -> None:
    craft = Spacecraft(mass_kg=10.0, drag_area_m2=2.0)
    start = elements(semi_major_axis_km=6378.137 + 180.0, eccentricity=0.0)
    track = NumericalTrack("x", state_from_kepler(start), (EPOCH - 3600, EPOCH + 5 * 86400), craft)
    end = track.comes_down_at
    assert end is not None
    assert EPOCH + 3600 < end < EPOCH + 86400
    assert track.validity == IntervalSet([EPOCH - 3600], [end])
    last = track.states(np.array([end - 0.001]))[0][0]
    assert np.linalg.norm(last) - 6378.1363 == pytest.approx(LOWEST_ALTITUDE_KM, abs=22.0)
    assert np.isnan(track.states(np.array([end + 1.0, EPOCH - 3601.0]))[0]).all()


def test_a_satellite_that_stays_up_does_not_come_down() -> None:
    track = NumericalTrack("x", state_from_kepler(elements()), (EPOCH, EPOCH + 7000))
    assert track.comes_down_at is None


def test_a_state_in_the_ground_has_no_track() -> None:
    track = NumericalTrack("x", StateVector(EPOCH, (6400.0, 0, 0), (0, 7.9, 0)), (EPOCH, EPOCH + 9))
    assert track.validity == EMPTY
    assert track.comes_down_at == EPOCH
    assert np.isnan(track.states(np.array([EPOCH]))[0]).all()


def test_a_span_before_or_after_the_epoch_has_states_only_there() -> None:
    state = state_from_kepler(elements())
    later = NumericalTrack("x", state, (EPOCH + 1000, EPOCH + 2000))
    assert later.validity == IntervalSet([EPOCH + 1000], [EPOCH + 2000])
    before = NumericalTrack("x", state, (EPOCH - 2000, EPOCH - 1000))
    assert before.validity == IntervalSet([EPOCH - 2000], [EPOCH - 1000])
    whole = NumericalTrack("x", state, (EPOCH - 2000, EPOCH + 2000))
    for part, at in ((later, EPOCH + 1500.0), (before, EPOCH - 1500.0)):
        assert part.states(np.array([at]))[0] == pytest.approx(
            whole.states(np.array([at]))[0], abs=1e-5
        )


def test_a_span_without_end_is_cut() -> None:
    far = NumericalTrack(
        "x", state_from_kepler(elements(semi_major_axis_km=42164.0)), (EPOCH, np.inf), forces=POINT
    )
    assert far.validity.ends[0] == EPOCH + MAX_SPAN_S


def test_the_fastest_rate_is_an_upper_bound() -> None:
    start = elements(semi_major_axis_km=24500.0, eccentricity=0.72)
    track = NumericalTrack("x", state_from_kepler(start), (EPOCH, EPOCH + 86400), forces=POINT)
    position, velocity = track.states(EPOCH + np.linspace(0, 86399, 20000))
    rate = np.linalg.norm(np.cross(position, velocity), axis=1) / (position**2).sum(axis=1)
    assert rate.max() <= track.fastest_rate_rad_s <= 1.1 * rate.max()


def test_asking_for_no_instants_gives_no_states() -> None:
    track = NumericalTrack("x", state_from_kepler(elements()), (EPOCH, EPOCH + 100))
    assert track.states(np.array([]))[0].shape == (0, 3)
