"""The Moon's place and phase."""

from __future__ import annotations

import erfa
import numpy as np
import pytest

from contactd.core.instants import from_text, tt_julian
from contactd.core.orbit.moon import moon_lit_fraction, moon_position_km


def test_over_thirty_years_the_moon_stays_within_five_minutes_of_arc_of_sofa() -> None:
    # Source: SOFA's moon98 (the theory of Meeus chapter 47), precessed by pmat06 (pyerfa).
    instants = from_text("2005-01-01T00:00:00Z") + np.arange(0, 365 * 30, 3.37) * 86400.0
    dates = tt_julian(instants)
    there = erfa.moon98(*dates)["p"] * 149597870.7
    truth = np.einsum("nij,nj->ni", erfa.pmat06(*dates), there)
    ours = moon_position_km(instants)
    apart = np.degrees(
        np.arctan2(np.linalg.norm(np.cross(truth, ours), axis=1), (truth * ours).sum(axis=1))
    )
    assert apart.max() * 60 < 5.5
    assert np.abs(np.linalg.norm(truth, axis=1) - np.linalg.norm(ours, axis=1)).max() < 520


def test_meeus_example_47_a_is_met_within_the_series_error() -> None:
    # Source: Meeus, Astronomical Algorithms, 2nd ed., example 47.a: 1992-04-12 0h TD, right
    # ascension 134.688470, declination 13.768368, 368409.7 km (from memory, confirmed with SOFA's
    # moon98).
    at = from_text("1992-04-12T00:00:00Z") - 26.0 - 32.184
    x, y, z = moon_position_km(at)
    assert np.degrees(np.arctan2(y, x)) == pytest.approx(134.688, abs=0.08)
    assert np.degrees(np.arcsin(z / np.sqrt(x * x + y * y + z * z))) == pytest.approx(
        13.768, abs=0.08
    )
    assert np.sqrt(x * x + y * y + z * z) == pytest.approx(368409.7, abs=500)


def test_the_lit_part_of_meeus_example_48_a_is_met() -> None:
    # Source: Meeus example 48.a: 1992-04-12 0h TD, k = 0.6786 (from memory, confirmed).
    at = from_text("1992-04-12T00:00:00Z") - 26.0 - 32.184
    assert moon_lit_fraction(at) == pytest.approx(0.6786, abs=2e-3)


@pytest.mark.parametrize(
    ("moment", "lit"),
    [("2024-04-08T18:21:00Z", 0.0), ("2024-04-23T23:49:00Z", 1.0), ("2024-04-15T19:13:00Z", 0.5)],
)
def test_new_full_and_half_moons_fall_when_almanacs_say(moment: str, lit: float) -> None:
    # Source: published times of the Moon's phases in April 2024 (new moon with the solar eclipse
    # of 8 April, full moon, first quarter), from memory.
    assert moon_lit_fraction(from_text(moment)) == pytest.approx(lit, abs=0.006)
