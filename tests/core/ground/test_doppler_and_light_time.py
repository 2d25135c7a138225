"""Light time and Doppler shift."""

from __future__ import annotations

import numpy as np
import pytest

from contactd.core.ground.doppler import (
    light_time_s,
    received_shift_hz,
    two_way_shift_hz,
    uplink_correction_hz,
)


@pytest.mark.parametrize(
    ("range_km", "milliseconds"),
    [(600, 2.001385), (2500, 8.339102), (35786, 119.369247), (384400, 1282.220382)],
)
def test_light_takes_the_range_by_its_exact_speed(range_km: float, milliseconds: float) -> None:
    # Source: c = 299 792.458 km/s exactly (SI); computed values.
    assert light_time_s(range_km) * 1000 == pytest.approx(milliseconds, abs=5e-7)


@pytest.mark.parametrize(
    ("frequency_hz", "rate_km_s", "first_order_hz", "shift_hz"),
    [
        (437e6, -7.0, 10203.7257, 10203.9639),
        (2.2e9, -7.0, 51368.8707, 51370.0701),
        (8.2e9, 6.5, -177789.6627, -177785.8080),
        (145.9e6, 3.25, -1581.6775, -1581.6604),
    ],
)
def test_a_downlink_shifts_as_the_range_rate_says(
    frequency_hz: float, rate_km_s: float, first_order_hz: float, shift_hz: float
) -> None:
    # Source: f / (1 + rate / c), computed; the first order is what handbooks print.
    found = received_shift_hz(frequency_hz, rate_km_s)
    assert found == pytest.approx(shift_hz, abs=5e-5)
    assert found == pytest.approx(first_order_hz, rel=5e-5)


def test_an_uplink_is_corrected_the_other_way_and_arrives_at_its_nominal_frequency() -> None:
    rates = np.array([-7.0, 0.0, 3.5])
    sent = 2.1e9 + uplink_correction_hz(2.1e9, rates)
    arriving = sent / (1 + rates / 299792.458)
    assert arriving == pytest.approx(2.1e9, abs=1e-6)
    assert list(np.sign(sent - 2.1e9)) == [-1, 0, 1]


def test_two_ways_shift_almost_twice() -> None:
    # Source: Einstein 1905, section 7: aboard arrives f sqrt((1 - b) / (1 + b)), and the same again
    # on the way back; a turnaround of 240/221 is S band's (CCSDS 401.0-B).
    rates = np.array([-7.0, 0.0, 3.5])
    up, ratio = 2.1e9, 240 / 221
    beta = rates / 299792.458
    expected = up * ratio * np.sqrt((1 - beta) / (1 + beta)) ** 2 - up * ratio
    assert two_way_shift_hz(up, rates, ratio) == pytest.approx(expected, abs=1e-5)
    # Dividing twice by 1 + b, as if the station moved, is 1.2 Hz off in S band.
    moving_station_hz = up * ratio / (1 + beta) ** 2 - up * ratio
    assert abs(moving_station_hz - two_way_shift_hz(up, rates, ratio)).max() > 1.2
    assert two_way_shift_hz(up, -7.0, 1.0) == pytest.approx(2 * up * 7.0 / 299792.458, rel=1e-4)
