"""How far AOS and LOS may be off, and how likely a contact is: against motions drawn at random.

Source: JCGM 101:2008, 7.7: the coverage interval of a distribution that is sampled.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from offset_orbits import Case
from orbits import EPOCH, invented

from contactd.core.contacts.contact import Contact
from contactd.core.contacts.coverage import seen_from
from contactd.core.contacts.horizon import horizon_of
from contactd.core.contacts.prediction import predict
from contactd.core.contacts.spread import (
    ContactSpread,
    ContactSpreads,
    contact_spreads,
    standard_motions,
)
from contactd.core.ground.station import Station
from contactd.core.orbit.orbit_error import EXACT, OrbitError
from contactd.core.orbit.sgp4_track import Sgp4Track

DAY = 86_400.0
TRACK = Sgp4Track(invented(), "Invented")
HOUSE = Station("house", 47.3, 8.5, 450.0, least_elevation_deg=5.0)
ERROR = OrbitError(6.0, 0.0, 0.0, 0.8, 0.8)


def spreads_of(
    station: Station, error: OrbitError
) -> tuple[ContactSpreads, list[tuple[Contact, ContactSpread]]]:
    table = predict([TRACK], [station], EPOCH, EPOCH + DAY)
    seen = seen_from(TRACK, [station], table, error, EPOCH)
    in_view = {station.name: seen[station.name, station.least_elevation_deg].coverage}
    found = contact_spreads(TRACK, [station], table, error, EPOCH)
    pairs = []
    for contact in table:
        spread = found.of(contact, in_view[station.name])
        assert spread is not None
        pairs.append((contact, spread))
    return found, pairs


def drawn(station: Station, at: np.ndarray, count: int, seed: int) -> np.ndarray:
    """Whether each of so many motions, drawn at random, is in view at instants ``[count, n]``."""
    random = np.random.default_rng(seed)
    case = Case(TRACK.elements, horizon_of(station), ERROR, EPOCH, EPOCH + DAY)
    draws = random.standard_normal((count, 3)) / 1.96
    return np.array(
        [
            case.in_view(at, share, radial * ERROR.radial_km, cross * ERROR.cross_track_km)
            for share, radial, cross in draws
        ]
    )


def test_aos_and_los_of_motions_drawn_at_random_lie_in_their_interval_95_times_of_100() -> None:
    _, pairs = spreads_of(HOUSE, ERROR)
    inside = []
    for number, (contact, spread) in enumerate(pairs[:4]):
        for (early, late), rises in ((spread.aos, True), (spread.los, False)):
            # A motion has its edge inside if it is on one side before, and on the other after.
            seen = drawn(HOUSE, np.array([early, late]), 400, number)
            inside.append((seen[:, 0] != rises) & (seen[:, 1] == rises))
        assert spread.existence_probability == 1.0
        assert spread.certain is not None
        assert contact.aos < spread.certain[0] < spread.certain[1] < contact.los
    assert 0.93 <= np.mean(inside) <= 0.97


@pytest.mark.parametrize("below_deg", [-0.01, 0.01, 0.03, 0.06])
def test_a_grazing_contact_happens_as_often_as_motions_drawn_at_random_have_it(
    below_deg: float,
) -> None:
    table = predict([TRACK], [HOUSE], EPOCH, EPOCH + DAY)
    lowest = int(np.argmin(table.max_elevation_deg))
    top_deg, tca = float(table.max_elevation_deg[lowest]), float(table.tca[lowest])
    station = replace(HOUSE, least_elevation_deg=top_deg - below_deg)
    _, pairs = spreads_of(station, ERROR)
    found = [spread for contact, spread in pairs if contact.aos < tca < contact.los]
    if below_deg < 0:
        assert not found
        return
    (spread,) = found
    seen = drawn(station, tca + np.linspace(-90.0, 90.0, 181), 1_500, 7).any(axis=1)
    assert spread.existence_probability == pytest.approx(seen.mean(), abs=0.04)
    assert 0.4 < spread.existence_probability < 1.0


def test_what_is_exact_is_not_off() -> None:
    _, pairs = spreads_of(HOUSE, EXACT)
    for contact, spread in pairs:
        assert spread.off_s(contact) == 0.0
        assert spread.existence_probability == 1.0


def test_the_fixed_motions_are_standard_normal() -> None:
    draws = standard_motions()
    assert np.abs(draws.mean(axis=0)).max() < 0.03
    assert np.abs(draws.std(axis=0) - 1.0).max() < 0.02
    assert np.abs(np.corrcoef(draws.T) - np.eye(3)).max() < 0.03
