"""Numerical propagation beside another library's, where that is installed."""

from __future__ import annotations

import numpy as np
import pytest

from contactd.core.instants import from_text
from contactd.core.orbit.forces import Forces
from contactd.core.orbit.inertial import from_teme
from contactd.core.orbit.numerical import NumericalTrack
from contactd.core.orbit.states import state_from_cartesian

brahe = pytest.importorskip("brahe", reason="compares with the package brahe")

DAY_S = 86_400.0


def test_in_the_same_field_both_libraries_fly_the_same_path_for_three_days() -> None:
    # Source: package brahe, JGM-3 to degree and order 4 in GCRF; JGM-3 and EGM96 differ in the
    # ninth digit of J2, and UT1 is taken as UTC there: 17 m in three days when this was written.
    brahe.set_global_eop_provider_from_static_provider(brahe.StaticEOPProvider.from_zero())
    epoch = from_text("2024-03-09T00:00:00Z")
    position, velocity = (-2000.0, 4800.0, 4800.0), (3.2, -3.9, 5.4)
    track = NumericalTrack(
        "x",
        state_from_cartesian("GCRF", epoch, position, velocity),
        (epoch, epoch + 3 * DAY_S + 1),
        forces=Forces(drag=False, sun=False, moon=False),
    )
    field = brahe.GravityConfiguration.spherical_harmonic(4, 4, brahe.GravityModelType.JGM3)
    start = brahe.Epoch.from_datetime(2024, 3, 9, 0, 0, 0.0, 0.0, brahe.TimeSystem.UTC)
    theirs = brahe.NumericalOrbitPropagator(
        start,
        np.array([*position, *velocity]) * 1e3,
        brahe.NumericalPropagationConfig.default(),
        brahe.ForceModelConfig(gravity=field),
        None,
    )
    for days, near_km in ((0.25, 0.01), (1.0, 0.03), (3.0, 0.1)):
        theirs.propagate_to(start + DAY_S * days)
        at = np.array([epoch + DAY_S * days])
        ours, _ = from_teme("GCRF", at, *track.states(at))
        assert ours[0] == pytest.approx(np.array(theirs.current_state())[:3] / 1e3, abs=near_km)
