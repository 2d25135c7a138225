"""Attenuation by air and rain, where the optional package is there."""

from __future__ import annotations

import numpy as np
import pytest

from contactd.core.ground.atmosphere import Atmosphere, attenuation_db
from contactd.core.ground.station import Station

itur = pytest.importorskip("itur", reason="needs the extra 'link'")

LONDON = Station("l", 51.5, -0.14, 31.383)


def test_the_table_is_the_itu_r_methods_own_between_its_elevations() -> None:
    # Source: package itur (ITU-R P.618-13, P.676-12, P.840-7, P.453-13) asked directly.
    at = np.array([5.0, 8.3, 12.0, 31.077, 52.0, 80.0])
    ours = attenuation_db(Atmosphere(1.0, 1.5), LONDON, 14.25e9, at)
    for elevation, found in zip(at, ours, strict=True):
        exact = itur.atmospheric_attenuation_slant_path(
            51.5, -0.14, 14.25, elevation, 1.0, 1.5, hs=0.031383
        ).value
        assert found == pytest.approx(exact, rel=0.02, abs=0.02)


def test_attenuation_grows_towards_the_horizon_with_frequency_and_for_rarer_times() -> None:
    at = np.linspace(1.0, 90.0, 90)
    usual = attenuation_db(Atmosphere(1.0), LONDON, 8.2e9, at)
    assert (np.diff(usual) <= 0).all()
    assert (attenuation_db(Atmosphere(0.1), LONDON, 8.2e9, at) > usual).all()
    assert (attenuation_db(Atmosphere(1.0), LONDON, 26e9, at) > usual).all()


def test_below_five_degrees_the_path_in_the_air_grows_as_its_sine_falls() -> None:
    low, limit = attenuation_db(Atmosphere(), LONDON, 8.2e9, np.array([2.5, 5.0]))
    ratio = np.sin(np.radians(5.0)) / np.sin(np.radians(2.5))
    assert low / limit == pytest.approx(ratio)
