"""Numerical propagation beside another library's, where that is installed."""

from __future__ import annotations

import numpy as np
import pytest

from contactd.core.instants import from_text
from contactd.core.orbit.forces import PRESSURE_N_M2, Acceleration, Forces
from contactd.core.orbit.inertial import from_teme
from contactd.core.orbit.numerical import NumericalTrack
from contactd.core.orbit.states import Spacecraft, state_from_cartesian
from contactd.core.orbit.sun import sun_position_km

brahe = pytest.importorskip("brahe", reason="compares with the package brahe")

DAY_S = 86_400.0


EPOCH = from_text("2024-03-09T00:00:00Z")
LOW = ((-2000.0, 4800.0, 4800.0), (3.2, -3.9, 5.4))


def theirs(state, forces):
    brahe.set_global_eop_provider_from_static_provider(brahe.StaticEOPProvider.from_zero())
    start = brahe.Epoch.from_datetime(2024, 3, 9, 0, 0, 0.0, 0.0, brahe.TimeSystem.UTC)
    return start, brahe.NumericalOrbitPropagator(
        start,
        np.array([*state[0], *state[1]]) * 1e3,
        brahe.NumericalPropagationConfig.default(),
        forces,
        None,
    )


def apart_km(state, ours: Forces, craft: Spacecraft, force_model, days: float) -> float:
    """How far both libraries' satellites are apart after some days."""
    track = NumericalTrack(
        "x",
        state_from_cartesian("GCRF", EPOCH, *state),
        (EPOCH, EPOCH + days * DAY_S + 1),
        craft,
        ours,
    )
    start, other = theirs(state, force_model)
    other.propagate_to(start + DAY_S * days)
    at = np.array([EPOCH + DAY_S * days])
    mine, _ = from_teme("GCRF", at, *track.states(at))
    return float(np.linalg.norm(mine[0] - np.array(other.current_state())[:3] / 1e3))


@pytest.mark.parametrize("degree", [4, 8, 20])
@pytest.mark.parametrize(("days", "near_km"), [(0.25, 0.01), (1.0, 0.03), (3.0, 0.1)])
def test_in_the_same_field_both_libraries_fly_the_same_path_for_three_days(
    degree: int, days: float, near_km: float
) -> None:
    # Source: package brahe, EGM2008 to the same degree and order in GCRF; it takes UT1 as UTC here.
    field = brahe.GravityConfiguration.spherical_harmonic(
        degree, degree, brahe.GravityModelType.EGM2008_120
    )
    only = Forces(degree, drag=False, sun=False, moon=False)
    assert apart_km(LOW, only, Spacecraft(), brahe.ForceModelConfig(gravity=field), days) < near_km


def test_sunlight_pushes_as_in_the_other_library() -> None:
    # Source: package brahe, radiation pressure on a sphere, for the same place of the Sun.
    craft = Spacecraft(mass_kg=80.0, radiation_area_m2=3.0, radiation_coefficient=1.4)
    sun = sun_position_km(np.array([EPOCH]))[0]
    place = np.array([42164.0, 0.0, 0.0])
    assert place @ sun > 0
    lit, dark = (
        np.array(
            Acceleration(
                Forces(0, drag=False, sun=False, moon=False, radiation=radiation),
                craft, EPOCH, 0.0, 60.0,
            )(0.0, np.array([*place, 0.0, 0.0, 0.0]))
        )[3:]
        for radiation in (True, False)
    )  # fmt: skip
    expected = brahe.accel_solar_radiation_pressure(
        place * 1e3, sun * 1e3, 80.0, 1.4, 3.0, PRESSURE_N_M2
    )
    assert (lit - dark) * 1e3 == pytest.approx(np.array(expected), rel=1e-4, abs=1e-14)
