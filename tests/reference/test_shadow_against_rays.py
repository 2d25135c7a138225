"""Light and shadow against rays: from the satellite to the Sun's disc, past the exact ellipsoid.

Sources: the ray and the ellipsoid x² + y² + (z / (1 − f))² = a² meet where a quadratic has roots
(WGS 84, NGA.STND.0036); the Sun from ERFA's ``epv00`` (IAU SOFA), rotated to the equator of date by
``pnm06a``; light aberration as a turn of 20.5 seconds of arc. Nothing of our own but SGP4's states.
"""

from __future__ import annotations

import erfa
import numpy as np
import pytest

from contactd.core.instants import from_text, tt_julian
from contactd.core.orbit import parse_tle
from contactd.core.orbit.eclipse import sunlight, sunlit_fraction, sunlit_intervals, umbra_intervals
from contactd.core.orbit.sgp4_track import Sgp4Track

RADIUS_KM, FLATTENING, SUN_KM, UNIT_KM = 6378.137, 1 / 298.257223563, 695_700.0, 149_597_870.7
LINES = """\
1 90103U 21304C   26079.00000000  .00000000  00000-0  24000-4 0  3288
2 90103 {inclination:8.4f}   4.8143 {eccentricity}  63.6881  70.1000 {motion:11.8f} 48280
"""
START = from_text("2026-03-20T00:00:00Z")
ORBITS = {
    "low and polar": (98.3, "0011000", 14.72),
    "low and inclined": (51.6, "0005000", 15.5),
    "long and eccentric": (63.4, "7000000", 2.006),
    "geostationary season": (0.05, "0002000", 1.00273),
}


def checked(line: str) -> str:
    """A line of two with its checksum."""
    digits = sum(int(c) if c.isdigit() else c == "-" for c in line[:68])
    return f"{line[:68]}{digits % 10}"


def track_of(name: str) -> Sgp4Track:
    inclination, eccentricity, motion = ORBITS[name]
    text = LINES.format(inclination=inclination, eccentricity=eccentricity, motion=motion)
    return Sgp4Track(parse_tle("\n".join(checked(each) for each in text.splitlines()))[0])


def suns_km(at: np.ndarray) -> np.ndarray:
    whole, fraction = tt_julian(at)
    earth = erfa.epv00(whole, fraction)[0]
    position, velocity = earth["p"], earth["v"]
    seen = -position * UNIT_KM
    # Aberration: the Sun is seen ahead by the Earth's speed over that of light.
    distance = np.linalg.norm(seen, axis=1, keepdims=True)
    seen = seen + distance * velocity * UNIT_KM / 86_400.0 / 299_792.458
    return np.einsum("nij,nj->ni", erfa.pnm06a(whole, fraction), seen)


def hidden(satellite: np.ndarray, sun: np.ndarray, raised_km: float = 0.0) -> np.ndarray:
    """Which rays to 36 points of the Sun's rim meet the ellipsoid, ``[n, 36]``."""
    to_sun = sun - satellite
    ahead = to_sun / np.linalg.norm(to_sun, axis=1, keepdims=True)
    side = np.cross(ahead, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    other = np.cross(ahead, side)
    turn = np.linspace(0.0, 2 * np.pi, 36, endpoint=False)
    rim = SUN_KM * (
        np.cos(turn)[None, :, None] * side[:, None, :]
        + np.sin(turn)[None, :, None] * other[:, None, :]
    )
    ray = to_sun[:, None, :] + rim
    ray /= np.linalg.norm(ray, axis=2, keepdims=True)
    axes = np.array([RADIUS_KM, RADIUS_KM, RADIUS_KM * (1 - FLATTENING)]) + raised_km
    p, d = satellite[:, None, :] / axes, ray / axes
    a, b = (d * d).sum(axis=2), (p * d).sum(axis=2)
    c = (p * p).sum(axis=2) - 1.0
    return (b * b - a * c > 0.0) & (b < 0.0)


@pytest.mark.parametrize("name", ORBITS)
def test_certain_light_sees_the_whole_sun_and_certain_shadow_nothing_of_it(name: str) -> None:
    track, end = track_of(name), START + 1.5 * 86_400.0
    at = np.linspace(START, end, 6_000)[1:-1]
    position, sun = track.states(at)[0], suns_km(at)
    covered = hidden(position, sun)
    light = sunlight(track, START, end)
    assert light.certain
    assert not covered[light.certain.holds(at)].any()
    assert covered[~light.possible.holds(at)].all()
    assert (~light.possible.holds(at)).any()
    # And not timid: what is bright even behind air 30 km high, or dark behind ground 3 km lower, is
    # told as certain (the Sun's own place is allowed 0.0117 degrees).
    bright = ~hidden(position, sun, 140.0 if "geo" in name or "long" in name else 45.0)
    deep = hidden(position, sun, -140.0 if "geo" in name or "long" in name else -15.0)
    assert light.certain.holds(at)[bright.all(axis=1)].all()
    assert not light.possible.holds(at)[deep.all(axis=1)].any()


@pytest.mark.parametrize("name", ORBITS)
def test_edges_of_penumbra_and_umbra_are_those_of_the_exact_ellipsoid(name: str) -> None:
    # The Sun's place is good to 0.01 degree: 0.2 s in low orbits, 2.5 s at geostationary ones.
    track, end = track_of(name), START + 1.5 * 86_400.0
    at = np.linspace(START, end, 6_000)[1:-1]
    covered = hidden(track.states(at)[0], suns_km(at))
    lit, dark = sunlit_intervals(track, START, end), umbra_intervals(track, START, end)
    edges = np.concatenate([lit.starts, lit.ends, dark.starts, dark.ends])
    near_s = 6.0 if name in ("geostationary season", "long and eccentric") else 0.4
    clear = np.abs(at[:, None] - edges[None, :]).min(axis=1) > near_s
    assert np.array_equal(lit.holds(at)[clear], (~covered.any(axis=1))[clear])
    assert np.array_equal(dark.holds(at)[clear], covered.all(axis=1)[clear])


def test_part_of_the_sun_is_seen_in_penumbra_alone() -> None:
    track = track_of("low and polar")
    light = sunlight(track, START, START + 86_400.0)
    for start, end in light.possible - light.certain:
        at = np.array([0.5 * (start + end)])
        assert 0.0 < sunlit_fraction(at, track.states(at)[0])[0] <= 1.0
