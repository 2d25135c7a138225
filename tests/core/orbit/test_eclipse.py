"""The Earth's shadow."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit import parse_tle
from contactd.core.orbit.eclipse import (
    EARTH_RADIUS_KM,
    shadow_angles_rad,
    sunlit_fraction,
    sunlit_intervals,
    umbra_intervals,
)
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.sun import sun_position_km

DATA = Path(__file__).parents[2] / "reference" / "data"
CASES = json.loads((DATA / "pass_cases.json").read_text())["cases"]
ALWAYS = IntervalSet.everything()


@dataclass(frozen=True)
class CircularTrack:
    """A circle in the plane that holds the Sun's direction at ``start`` and the pole."""

    radius_km: float
    start: float
    name: str = "circle"
    validity: IntervalSet = ALWAYS

    @property
    def fastest_rate_rad_s(self) -> float:
        return float(np.sqrt(398600.4418 / self.radius_km**3))

    def states(self, instants: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        sun = sun_position_km(self.start)
        toward = sun / np.linalg.norm(sun)
        across = np.cross(np.cross(toward, [0.0, 0.0, 1.0]), toward)
        across /= np.linalg.norm(across)
        angle = self.fastest_rate_rad_s * (instants - self.start)
        position = self.radius_km * (
            np.cos(angle)[:, None] * toward + np.sin(angle)[:, None] * across
        )
        return position, np.zeros_like(position)


def snapshots() -> list[tuple[dict, dict]]:
    return [(case, shot) for case in CASES for shot in case["expected"]["snapshots"]]


@pytest.mark.parametrize(
    ("case", "shot"), snapshots(), ids=lambda value: value.get("id") or value.get("utc", "")[11:16]
)
def test_light_and_shadow_of_the_reference_snapshots(case: dict, shot: dict) -> None:
    # Source: reference pass cases: conical shadow by Montenbruck and Gill 3.4 over a sphere, Sun
    # from astropy; the ellipsoid's limb is lower by up to 0.3 degrees in low orbits.
    (elements,) = parse_tle(f"{case['tle_line1']}\n{case['tle_line2']}")
    at = np.array([from_text(shot["utc"])])
    position, _ = Sgp4Track(elements).states(at)
    theta, earth, _ = shadow_angles_rad(position, sun_position_km(at))
    assert np.degrees(theta - earth)[0] == pytest.approx(shot["shadow_margin_deg"], abs=0.5)
    expected = {"sunlit": 1.0, "umbra": 0.0}[shot["shadow"]]
    assert sunlit_fraction(at, position)[0] == expected


def test_the_intervals_agree_with_a_scan_of_the_visible_part_of_the_sun() -> None:
    case = next(case for case in CASES if case["id"] == "S03")
    (elements,) = parse_tle(f"{case['tle_line1']}\n{case['tle_line2']}")
    track = Sgp4Track(elements)
    start = from_text(case["window_start_utc"])
    end = start + 86400.0
    lit, dark = (f(track, start, end) for f in (sunlit_intervals, umbra_intervals))
    at = np.arange(start + 0.25, end, 2.0)
    part = sunlit_fraction(at, track.states(at)[0])
    near = np.concatenate([lit.starts, lit.ends, dark.starts, dark.ends])
    clear = np.abs(at[:, None] - near[None, :]).min(axis=1) > 0.01
    assert np.array_equal(lit.holds(at)[clear], (part == 1.0)[clear])
    assert np.array_equal(dark.holds(at)[clear], (part == 0.0)[clear])
    assert not lit & dark
    assert ((part > 0) & (part < 1)).any()
    assert len(dark) in (14, 15)


@pytest.mark.parametrize("altitude_km", [400.0, 800.0, 20_200.0, 35_786.0])
def test_a_circle_through_the_shadows_axis_is_dark_as_long_as_geometry_says(
    altitude_km: float,
) -> None:
    # Source: geometry: a point on a circle of radius a is in the cylinder of the Earth's shadow
    # for 2 asin(R/a) of its turn; the cones differ from the cylinder by the Sun's 0.533 degree.
    start = from_text("2026-03-20T00:00:00Z")
    track = CircularTrack(EARTH_RADIUS_KM + altitude_km, start)
    period = 2 * np.pi / track.fastest_rate_rad_s
    # The circle lies in a plane through the pole: across the Sun's direction the ellipse that it
    # cuts out of the Earth is so high.
    sun = sun_position_km(start) / np.linalg.norm(sun_position_km(start))
    polar_km = EARTH_RADIUS_KM * (1 - 1 / 298.257223563)
    across = np.sqrt(1 - sun[2] ** 2)
    limb_km = np.hypot(EARTH_RADIUS_KM * sun[2], polar_km * across)
    half_angle = np.arcsin(limb_km / track.radius_km)
    sun_half_angle = np.radians(0.2666)
    drift = np.radians(1.0) * period / 86400.0  # the Sun moves on by a degree a day
    umbra = umbra_intervals(track, start, start + period).total_s / period * 2 * np.pi
    outside = (
        2 * np.pi - sunlit_intervals(track, start, start + period).total_s / period * 2 * np.pi
    )
    assert umbra == pytest.approx(2 * (half_angle - sun_half_angle), abs=0.02 * drift + 5e-4)
    assert outside == pytest.approx(2 * (half_angle + sun_half_angle), abs=0.02 * drift + 5e-4)


def test_a_satellite_in_the_terminators_plane_never_sees_night() -> None:
    case = next(case for case in CASES if case["id"] == "S03")
    (elements,) = parse_tle(f"{case['tle_line1']}\n{case['tle_line2']}")
    start = from_text("2024-03-20T00:00:00Z")
    dawn_to_dusk = replace(
        elements,
        epoch=start,
        raan_deg=90.0,
        inclination_deg=99.0,
        mean_motion_rev_per_day=13.2,
        eccentricity=0.0001,
    )
    lit = sunlit_intervals(Sgp4Track(dawn_to_dusk), start, start + 86400.0)
    assert lit == IntervalSet([start], [start + 86400.0])


def test_far_from_the_earth_the_sun_is_only_dimmed() -> None:
    at = np.array([from_text("2026-03-20T00:00:00Z")])
    behind = -sun_position_km(at) / np.linalg.norm(sun_position_km(at)) * 2.5e6
    part = sunlit_fraction(at, behind)[0]
    # Source: ratio of the discs' areas.
    earth = np.arcsin(EARTH_RADIUS_KM / 2.5e6)
    sun = np.arcsin(695_700.0 / (np.linalg.norm(sun_position_km(at)) + 2.5e6))
    assert part == pytest.approx(1 - (earth / sun) ** 2, rel=1e-9)


def test_states_that_cannot_be_had_are_neither_light_nor_dark() -> None:
    at = np.array([from_text("2026-03-20T00:00:00Z")])
    assert np.isnan(sunlit_fraction(at, np.full((1, 3), np.nan))).all()
