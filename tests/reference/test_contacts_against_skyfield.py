"""Contacts against the roots of skyfield's own topocentric elevation.

Source: skyfield (its TEME and WGS 84 chain) sampled every 20 s, its roots bracketed with scipy's
``brentq``; the accuracy contract is this project's: 10 ms, or 20 ms where the elevation changes by
less than 0.005°/s; 0.1 s and 0.001° at the highest point.
"""

import numpy as np
import pytest
from orbits import EPOCH, geostationary, invented, skyfield_elevation_deg
from scipy.optimize import brentq

from contactd.core.contacts.prediction import predict
from contactd.core.ground.station import Station
from contactd.core.orbit.sgp4_track import Sgp4Track

MIDDLE = Station("middle", 47.3, 8.5, 450.0, least_elevation_deg=5.0)
EQUATOR = Station("equator", -2.1, -59.9, 60.0)
POLE = Station("south pole", -90.0, 0.0, 2835.0, least_elevation_deg=3.0)
DATELINE = Station("dateline", -16.8, 179.99, 20.0, least_elevation_deg=10.0)

ORBITS = {
    "low polar": invented(),
    "low, much drag": invented(15.9, 0.0008, 51.6, bstar_per_earth_radius=4e-4),
    "retrograde": invented(13.2, 0.02, 142.0),
    "twelve hours, circular": invented(2.00561, 0.008, 55.0, bstar_per_earth_radius=0.0),
    "twelve hours, eccentric": invented(
        2.0061, 0.72, 63.4, argument_of_perigee_deg=270.0, bstar_per_earth_radius=0.0
    ),
    "transfer": invented(2.27, 0.73, 7.0, bstar_per_earth_radius=1e-5),
    "drifting": geostationary(-40.0, inclination_deg=6.0),
}


def truth(elements, station, start, end):
    """Crossings of skyfield's elevation: (instant, rate in deg/s), rate positive at a rise."""
    elevation = skyfield_elevation_deg(elements, station)
    instants = np.append(np.arange(start, end, 20.0), end)
    above = elevation(instants) - station.least_elevation_deg
    found = []
    for index in np.flatnonzero((above[1:] >= 0) != (above[:-1] >= 0)):
        root = brentq(
            lambda at: float(elevation(at)) - station.least_elevation_deg,
            instants[index],
            instants[index + 1],
            xtol=1e-7,
        )
        rate = (elevation(root + 0.05) - elevation(root - 0.05)) / 0.1
        found.append((root, float(rate)))
    return found


@pytest.mark.parametrize("station", [MIDDLE, EQUATOR, POLE, DATELINE], ids=lambda s: s.name)
@pytest.mark.parametrize("kind", ORBITS)
def test_crossings_lie_within_the_accuracy_contract(kind, station):
    start, end = EPOCH + 3_333.0, EPOCH + 86_400.0 + 3_333.0
    table = predict([Sgp4Track(ORBITS[kind])], [station], start, end)
    mine = sorted(
        [contact.aos for contact in table if not contact.cut_at_start]
        + [contact.los for contact in table if not contact.cut_at_end]
    )
    theirs = truth(ORBITS[kind], station, start, end)
    assert len(mine) == len(theirs)
    for instant, (root, rate) in zip(mine, theirs, strict=True):
        assert abs(instant - root) < (0.010 if abs(rate) >= 0.005 else 0.020)


@pytest.mark.parametrize("kind", ORBITS)
def test_nothing_is_higher_than_the_highest_point_and_it_stands_where_skyfield_has_it(kind):
    start, end = EPOCH, EPOCH + 86_400.0
    table = predict([Sgp4Track(ORBITS[kind])], [MIDDLE], start, end)
    elevation = skyfield_elevation_deg(ORBITS[kind], MIDDLE)
    for contact in table:
        at = np.linspace(contact.aos, contact.los, 400)
        assert elevation(at).max() <= contact.max_elevation_deg + 1e-6
        assert elevation(contact.tca) == pytest.approx(contact.max_elevation_deg, abs=1e-4)
        if contact.aos < contact.tca < contact.los:
            # The contract's 0.1 s: half a second away on either side it is lower already.
            around = elevation(contact.tca + np.array([-0.1, 0.0, 0.1]))
            assert around[1] >= max(around[0], around[2]) - 1e-9


def test_a_week_away_from_the_epoch_ut1_still_follows_the_table():
    start = EPOCH + 6.5 * 86_400.0
    elements = ORBITS["low polar"]
    table = predict([Sgp4Track(elements)], [MIDDLE], start, start + 43_200.0)
    theirs = truth(elements, MIDDLE, start, start + 43_200.0)
    mine = sorted([*table.aos, *table.los])
    assert len(mine) == len(theirs) > 0
    assert max(abs(a - b[0]) for a, b in zip(mine, theirs, strict=True)) < 1e-3
