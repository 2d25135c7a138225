"""Refraction against Meeus' figures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from contactd.core.ground.refraction import (
    radio_refraction_deg,
    refraction_deg,
    refraction_of_apparent_deg,
    true_elevation_deg,
)


@pytest.mark.parametrize(
    ("apparent_deg", "minutes"), [(0, 34.478), (5, 9.883), (10, 5.392), (20, 2.703), (45, 0.995)]
)
def test_bennetts_refraction_is_meeus_equation_16_3(apparent_deg: float, minutes: float) -> None:
    # Source: Meeus, Astronomical Algorithms, 2nd ed., eq. 16.3 (values computed from it).
    assert refraction_of_apparent_deg(apparent_deg) * 60 == pytest.approx(minutes, abs=5e-4)


@pytest.mark.parametrize(
    ("true_deg", "minutes"), [(0, 28.982), (5, 9.674), (10, 5.408), (20, 2.741), (45, 1.013)]
)
def test_saemundssons_refraction_is_meeus_equation_16_4(true_deg: float, minutes: float) -> None:
    # Source: Meeus, Astronomical Algorithms, 2nd ed., eq. 16.4 (values computed from it).
    assert refraction_deg(true_deg) * 60 == pytest.approx(minutes, abs=5e-4)


def test_the_setting_sun_of_example_16_a_is_seen_as_meeus_says() -> None:
    # Source: Meeus example 16.a: the lower limb is seen at 30', the upper limb's true height is
    # 33'14.8" (figures from memory, confirmed by computing them).
    assert refraction_of_apparent_deg(0.5) * 60 == pytest.approx(28.754, abs=1e-3)
    assert refraction_deg((33 + 14.8 / 60) / 60) * 60 == pytest.approx(24.618, abs=1e-3)


def test_both_formulas_agree_to_a_tenth_of_a_minute() -> None:
    # Source: Meeus chapter 16 states the agreement.
    true = np.linspace(0.0, 89.0, 400)
    apparent = true + refraction_deg(true)
    apart = (refraction_of_apparent_deg(apparent) - refraction_deg(true)) * 60
    assert np.abs(apart).max() < 0.15


@pytest.mark.parametrize(("pressure_hpa", "temperature_c"), [(1010, 10), (1040, -30), (600, 35)])
def test_true_and_apparent_elevation_invert_each_other(
    pressure_hpa: float, temperature_c: float
) -> None:
    true = np.linspace(-30.0, 90.0, 5000)
    apparent = true + refraction_deg(true, pressure_hpa, temperature_c)
    assert (np.diff(apparent) > 0).all()
    back = true_elevation_deg(apparent, pressure_hpa, temperature_c)
    assert np.abs(back - true).max() < 1e-9


def test_refraction_is_never_negative_nor_jumps() -> None:
    true = np.linspace(-90.0, 90.0, 180_001)
    bent = refraction_deg(true)
    assert (bent >= 0).all()
    assert bent[-1] == 0.0
    assert np.abs(np.diff(bent)).max() < 3e-4


def test_thin_cold_air_bends_by_pressure_and_temperature() -> None:
    # Source: Meeus chapter 16: factor P/1010 · 283/(273 + T).
    ratio = refraction_deg(10.0, 505.0, 10.0) / refraction_deg(10.0)
    assert ratio == pytest.approx(0.5)
    assert refraction_deg(10.0, 1010.0, -20.0) / refraction_deg(10.0) == pytest.approx(283 / 253)


def bent_by_the_reference_atmosphere(apparent_deg: float, height_km: float) -> float:
    """Refraction (deg) along a ray, by its integral."""

    def index(x: float) -> float:
        return 1 + 315e-6 * np.exp(-0.1361 * x)

    earth_km = 6370.0
    kept = (earth_km + height_km) * index(height_km) * np.cos(np.radians(apparent_deg))

    def bending(x: float) -> float:
        cosine = kept / ((earth_km + x) * index(x))
        slope = -315e-6 * 0.1361 * np.exp(-0.1361 * x)
        return -slope / index(x) * cosine / np.sqrt(1 - cosine**2)

    return float(np.degrees(quad(bending, height_km, 200.0, limit=400)[0]))


@pytest.mark.parametrize("height_km", [0.0, 1.0, 2.5])
@pytest.mark.parametrize("apparent_deg", [0.5, 1.0, 2.0, 5.0, 9.0, 20.0, 45.0])
def test_radio_waves_bend_as_the_integral_through_the_reference_atmosphere_says(
    apparent_deg: float, height_km: float
) -> None:
    # Source: ITU-R P.834, bending integral in the exponential atmosphere of ITU-R P.453
    # (n = 1 + 315e-6 exp(-0.1361 h)). The Recommendation's fit parts from it by a hundredth of a
    # degree.
    truth = bent_by_the_reference_atmosphere(apparent_deg, height_km)
    found = radio_refraction_deg(apparent_deg - truth, height_km * 1000)
    assert found == pytest.approx(truth, rel=0.05, abs=0.011)


def test_radio_waves_bend_more_than_light_at_the_horizon_and_less_from_a_mountain() -> None:
    assert radio_refraction_deg(0.0) > refraction_deg(0.0)
    assert radio_refraction_deg(0.0, 3000.0) < radio_refraction_deg(0.0)
    elevations = np.linspace(-5, 90, 2000)
    bent = radio_refraction_deg(elevations)
    assert (np.diff(bent) <= 0).all()
    assert bent[-1] == pytest.approx(0.0, abs=1e-12)
