"""What an antenna's mount can follow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.ground import antenna
from contactd.core.ground.antenna import (
    NO_LIMITS,
    AntennaLimits,
    keyhole_intervals,
)
from contactd.core.ground.look import east_north_up, geodetic_to_fixed
from contactd.core.ground.sight import sight
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit.inertial import to_teme

STATION = Station("s", 47.0, 8.0, 400.0)
START = from_text("2026-03-01T00:00:00Z")
SPAN = IntervalSet([START], [START + 400.0])


@dataclass(frozen=True)
class Flyover:
    """A straight flight over the station from south to north, offset to the east.

    It is simple enough to know everything about it: at its nearest the target stands at elevation
    atan(height / offset), and its azimuth turns at speed / offset there.
    """

    offset_km: float
    height_km: float = 500.0
    speed_km_s: float = 7.5
    name: str = "flyover"
    validity: IntervalSet = SPAN
    fastest_rate_rad_s: float = 1.1e-3

    def states(self, instants: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        axes = east_north_up(STATION.latitude_deg, STATION.longitude_deg)
        foot = geodetic_to_fixed(STATION.latitude_deg, STATION.longitude_deg, STATION.altitude_m)
        north = self.speed_km_s * (instants - START - 200.0)
        local = np.stack(
            [
                np.full_like(north, self.offset_km),
                north,
                np.full_like(north, self.height_km),
            ],
            axis=-1,
        )
        moving = np.tile([0.0, self.speed_km_s, 0.0], (len(instants), 1))
        return to_teme("ITRF", instants, local @ axes + foot, moving @ axes)


def test_the_flyover_is_what_it_says() -> None:
    seen = sight(Flyover(50.0), STATION, [START + 200.0])
    assert seen.elevation_deg[0] == pytest.approx(np.degrees(np.arctan(10.0)), abs=1e-6)
    assert seen.azimuth_deg[0] == pytest.approx(90.0, abs=1e-6)
    assert seen.azimuth_rate_deg_s[0] == pytest.approx(-np.degrees(7.5 / 50.0), abs=1e-6)


def test_a_mount_without_limits_loses_nothing() -> None:
    assert keyhole_intervals(Flyover(1.0), STATION, NO_LIMITS, SPAN) == EMPTY


def test_above_its_highest_elevation_a_mount_sees_nothing() -> None:
    # Source: geometry: at elevation 85 the horizontal distance is height / tan(85).
    limits = AntennaLimits(highest_elevation_deg=85.0)
    lost = keyhole_intervals(Flyover(10.0), STATION, limits, SPAN)
    level = 500.0 / np.tan(np.radians(85.0))
    half = np.sqrt(level**2 - 10.0**2) / 7.5
    assert (lost.starts[0], lost.ends[0]) == pytest.approx(
        (START + 200 - half, START + 200 + half), abs=1e-3
    )


def test_a_mount_that_is_fast_enough_has_no_keyhole() -> None:
    # The azimuth never turns faster than 7.5 / 50 rad/s, which is 8.6 degrees a second.
    limits = AntennaLimits(azimuth_rate_deg_s=8.7)
    assert keyhole_intervals(Flyover(50.0), STATION, limits, SPAN) == EMPTY


@pytest.mark.parametrize("offset", [50.0, -50.0, 5.0, 0.5])
def test_a_slow_mount_is_late_until_it_has_caught_up(offset: float) -> None:
    # Source: geometry. Azimuth from the south through the side: its angle is atan(north / offset),
    # and its rate w c² / (c² + n²) with c the offset. The chase begins where that is the mount's
    # rate and ends where the mount's straight line meets the angle again.
    greatest = 3.0
    limits = AntennaLimits(azimuth_rate_deg_s=greatest)
    lost = keyhole_intervals(Flyover(offset), STATION, limits, SPAN)
    c, speed, rate = abs(offset), 7.5, np.radians(greatest)
    begins = -np.sqrt(c * speed / rate - c**2) / speed

    def behind(t: float) -> float:
        turned = np.arctan(speed * t / c) - np.arctan(speed * begins / c)
        return float(turned - rate * (t - begins))

    from scipy.optimize import brentq

    ends = brentq(behind, -begins, 200.0)
    assert len(lost) == 1
    assert lost.starts[0] == pytest.approx(START + 200 + begins, abs=0.1)
    assert lost.ends[0] == pytest.approx(START + 200 + ends, abs=0.3)


def test_a_wide_beam_forgives_a_mount_that_is_a_little_late() -> None:
    slow = AntennaLimits(azimuth_rate_deg_s=3.0)
    wide = AntennaLimits(azimuth_rate_deg_s=3.0, half_beam_deg=1.0)
    wider = AntennaLimits(azimuth_rate_deg_s=3.0, half_beam_deg=60.0)
    lost = [
        keyhole_intervals(Flyover(5.0), STATION, limits, SPAN).total_s
        for limits in (slow, wide, wider)
    ]
    assert lost[0] > lost[1] > lost[2] == 0.0


def test_the_elevation_axis_has_its_limit_too() -> None:
    # Source: geometry: straight overhead the elevation turns at speed / height, 0.859 degree/s.
    fast = AntennaLimits(elevation_rate_deg_s=0.87)
    assert keyhole_intervals(Flyover(30.0), STATION, fast, SPAN) == EMPTY
    slow = AntennaLimits(elevation_rate_deg_s=0.6)
    lost = keyhole_intervals(Flyover(30.0), STATION, slow, SPAN)
    assert lost
    assert lost.starts[0] < START + 200 < lost.ends[-1]


def test_a_contact_that_ends_in_a_chase_ends_lost() -> None:
    limits = AntennaLimits(azimuth_rate_deg_s=0.5)
    lost = keyhole_intervals(Flyover(5.0), STATION, limits, IntervalSet([START], [START + 230]))
    assert lost.ends[-1] == START + 230


@given(
    st.floats(1.0, 250.0),
    st.floats(2.0, 12.0),
    st.floats(0.9, 1.1),
    st.sampled_from(["elevation", "azimuth rate", "elevation rate"]),
    st.floats(0.0, 30.0),
)
@settings(max_examples=150, deadline=None)
def test_a_contact_that_is_passed_over_unsearched_loses_nothing(
    offset_km: float, speed_km_s: float, share: float, axis: str, shift_s: float
) -> None:
    # Limits close to what the flight asks for, on either side of it.
    top_deg = np.degrees(np.arctan2(500.0, offset_km))
    limits = AntennaLimits(
        highest_elevation_deg=min(share * top_deg, 90.0) if axis == "elevation" else 90.0,
        azimuth_rate_deg_s=share * np.degrees(speed_km_s / offset_km) if axis[0] == "a" else None,
        elevation_rate_deg_s=share * np.degrees(speed_km_s / 500.0) if axis[-1] == "e" else None,
        half_beam_deg=0.0,
    )
    track = Flyover(offset_km, speed_km_s=speed_km_s)
    span = IntervalSet([START + shift_s], [START + 400.0])
    found = keyhole_intervals(track, STATION, limits, span)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(antenna, "_may_lose", lambda *given: given[-1])
        assert found == keyhole_intervals(track, STATION, limits, span)
