"""Frames that states come in."""

from __future__ import annotations

import erfa
import numpy as np
import pytest
from skyfield.api import load
from skyfield.sgp4lib import TEME

from contactd.core.instants import from_text, tt_julian, ut1_julian
from contactd.core.orbit.frames import sidereal_angle_of, teme_to_fixed
from contactd.core.orbit.inertial import frame_named, from_teme, inertial_to_teme, to_teme


@pytest.mark.parametrize(
    ("name", "frame"),
    [("TEME", "TEME"), ("ITRF2000", "ITRF"), ("ITRF-97", "ITRF"), ("itrf2020", "ITRF"),
     ("ITRF", "ITRF"), ("EME2000", "EME2000"), ("J2000", "EME2000"), ("GCRF", "GCRF"),
     ("ICRF", "GCRF"), ("TOD", "TOD"), ("MOD", None), ("RTN", None), ("", None)],
)  # fmt: skip
def test_frames_go_by_the_names_that_messages_write(name: str, frame: str | None) -> None:
    # Source: CCSDS 502.0-B-3, 3.2.3.3 and SANA's registry of celestial body reference frames.
    assert frame_named(name) == frame


def test_gcrf_turns_into_teme_as_the_iau_sofa_routines_turn_it() -> None:
    # Source: SOFA routines pnm06a, gst06a and gmst82 (pyerfa): TEME's x axis lies the equation of
    # the equinoxes away from the true equinox of date.
    instants = from_text("2000-01-01T00:00:00Z") + np.arange(0, 30 * 365, 41.7) * 86400.0
    tt, ut1 = tt_julian(instants), ut1_julian(instants)
    apart = erfa.gmst82(*ut1) - erfa.gst06a(*ut1, *tt)
    sine, cosine = np.sin(apart), np.cos(apart)
    zero, one = np.zeros_like(sine), np.ones_like(sine)
    turn = np.array([[cosine, sine, zero], [-sine, cosine, zero], [zero, zero, one]])
    # A frame whose sidereal time is smaller has its x axis further west: turn by the difference.
    expected = np.einsum("jin,njk->nik", turn, erfa.pnm06a(*tt))
    assert np.abs(inertial_to_teme("GCRF", instants) - expected).max() < 5e-9  # 1 mas


def test_the_interpolated_matrices_are_skyfields_own() -> None:
    # Source: skyfield's TEME frame, asked at each instant.
    instants = from_text("2026-03-01T07:00:00Z") + np.linspace(0, 12 * 86400.0, 401)
    times = load.timescale(builtin=True).tt_jd(*tt_julian(instants))
    exact = np.moveaxis(TEME.rotation_at(times), 2, 0)
    assert np.abs(inertial_to_teme("GCRF", instants) - exact).max() < 1e-10


def test_vallados_example_state_is_met_in_gcrf_to_metres() -> None:
    # Source: Vallado example 3-15 / AIAA 2006-6753 appendix C, 2004-04-06 07:51:28.386009 UTC;
    # the GCRF figures are from memory, confirmed with skyfield to the metres by which IAU 1980
    # nutation with corrections differs from IAU 2000A.
    at = np.array([from_text("2004-04-06T07:51:28.386009Z")])
    position, velocity = from_teme(
        "GCRF",
        at,
        np.array([[5094.18016210, 6127.64465950, 6380.34453270]]),
        np.array([[-4.746131487, 0.785818041, 5.531931288]]),
    )
    assert position[0] == pytest.approx([5102.5089579, 6123.0114007, 6378.1369282], abs=3e-3)
    assert velocity[0] == pytest.approx([-4.743220157, 0.790536497, 5.533755728], abs=3e-6)


def test_eme2000_and_gcrf_lie_the_frame_bias_apart() -> None:
    # Source: IERS Conventions 2010 chapter 5: xi0 -16.617, eta0 -6.819, dalpha0 -14.6 mas.
    at = np.array([from_text("2026-03-01T00:00:00Z")])
    bias = inertial_to_teme("EME2000", at)[0].T @ inertial_to_teme("GCRF", at)[0]
    mas = np.radians(1e-3 / 3600)
    assert bias[0, 1] / mas == pytest.approx(-14.6, abs=0.01)
    assert bias[0, 2] / mas == pytest.approx(16.617, abs=0.01)
    assert bias[1, 2] / mas == pytest.approx(6.819, abs=0.01)


@pytest.mark.parametrize("frame", ["TEME", "ITRF", "EME2000", "GCRF"])
def test_there_and_back_is_where_it_was(frame: str) -> None:
    generator = np.random.default_rng(7)
    instants = from_text("2026-03-01T00:00:00Z") + np.sort(generator.uniform(0, 5e5, 300))
    position = generator.normal(size=(300, 3)) * 7000
    velocity = generator.normal(size=(300, 3)) * 7
    there = to_teme(frame, instants, position, velocity)
    back = from_teme(frame, instants, *there)
    assert np.abs(back[0] - position).max() < 1e-6
    assert np.abs(back[1] - velocity).max() < 1e-9


def test_itrf_is_the_frame_that_stations_stand_in() -> None:
    instants = from_text("2026-03-01T00:00:00Z") + np.arange(5) * 1000.0
    position = np.tile([7000.0, 100.0, 50.0], (5, 1))
    velocity = np.tile([1.0, 7.0, 0.5], (5, 1))
    fixed = from_teme("ITRF", instants, position, velocity)
    ours = teme_to_fixed(instants, position, velocity)
    assert np.abs(fixed[0] - ours[0]).max() < 1e-9
    assert np.abs(fixed[1] - ours[1]).max() < 1e-12


def test_a_point_at_rest_on_the_ground_moves_with_the_earth() -> None:
    at = np.array([from_text("2026-03-01T00:00:00Z")])
    _, velocity = to_teme("ITRF", at, np.array([[6378.137, 0.0, 0.0]]), np.zeros((1, 3)))
    rate = sidereal_angle_of(*ut1_julian(at))[1][0]
    assert np.linalg.norm(velocity) == pytest.approx(6378.137 * rate, rel=1e-12)
    # Source: Earth's equatorial speed, 465.1 m/s.
    assert np.linalg.norm(velocity) * 1000 == pytest.approx(465.1, abs=0.05)


def test_an_unknown_frame_is_a_programmers_mistake() -> None:
    at = np.array([0.0])
    with pytest.raises(ValueError, match="MOD"):
        to_teme("MOD", at, np.ones((1, 3)), np.ones((1, 3)))


def test_skyfields_own_table_of_time_is_used() -> None:
    # The same instant in skyfield's time scale: both must read UT1 from one table.
    at = np.array([from_text("2026-03-01T00:00:00Z")])
    scale = load.timescale(builtin=True)
    assert scale.utc(2026, 3, 1).ut1 == pytest.approx(sum(x[0] for x in ut1_julian(at)), abs=1e-9)
