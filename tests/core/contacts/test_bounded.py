"""Certain and possible coverage of whole sets of motions.

The definition itself is the reference: the true orbit is the nominal one some seconds early or
late, and some kilometres aside. More orbits: ``python tests/support/offset_orbits.py 100000``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from offset_orbits import Case, Count, case_of, look_at, look_at_many
from orbits import EPOCH, geostationary, invented

from contactd.core.contacts.bounded import bounded
from contactd.core.contacts.horizon import horizon_of
from contactd.core.contacts.mask_range import MaskRange
from contactd.core.contacts.offset_track import OffsetTrack
from contactd.core.contacts.prediction import crossings, predict
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.orbit.sgp4_track import Sgp4Track

DAY = 86_400.0
TRACK = Sgp4Track(invented(), "Invented")
HOUSE = Station("house", 47.3, 8.5, 450.0, least_elevation_deg=5.0)


def test_no_orbit_within_the_error_is_out_of_view_where_certain_or_in_view_where_not_possible():
    count = look_at_many(250, seed=20_261_130, timid_every=8)
    assert count.orbits == 250
    assert count.failures == ()
    assert count.surely_s > 3600.0
    # Not timid: at most 2 % of what is surely in view is not told as certain.
    assert count.certain_s >= 0.98 * count.surely_s


def test_a_contact_moved_in_by_the_error_would_promise_what_is_out_of_view():
    """What was done before, and why it is not enough: the Earth does not wait."""
    case = Case(invented(), horizon_of(HOUSE), OrbitError(10.0), EPOCH, EPOCH + DAY)
    contacts = predict([TRACK], [HOUSE], EPOCH, EPOCH + DAY).intervals()
    moved_in = contacts.shrink(10.0, 10.0)
    at = np.concatenate([moved_in.starts + 1e-3, moved_in.ends - 1e-3])
    out = [~case.in_view(at, share, 0.0, 0.0) for share in (-1.0, 1.0)]
    assert np.logical_or(*out).any()
    certain = case.bounds().certain
    at = np.concatenate([certain.starts + 1e-3, certain.ends - 1e-3])
    assert case.in_view(at, -1.0, 0.0, 0.0).all()
    assert case.in_view(at, 1.0, 0.0, 0.0).all()


def test_it_agrees_with_the_same_orbit_seen_from_a_station_moved_west():
    """An offset d is the nominal orbit seen from a station w d to the west, moved by −d in time."""
    error_s = 8.0
    found = bounded(TRACK, [horizon_of(HOUSE)], OrbitError(error_s), EPOCH, EPOCH, EPOCH + DAY)[0]
    shared, any_ = IntervalSet.everything(), IntervalSet()
    for ahead in np.linspace(-error_s, error_s, 9):
        west_deg = np.degrees(7.292115146706979e-5 * ahead)
        moved = replace(HOUSE, longitude_deg=HOUSE.longitude_deg - west_deg)
        seen = crossings(TRACK, moved, 5.0, EPOCH - 60.0, EPOCH + DAY + 60.0).shift(-ahead)
        shared, any_ = shared & seen, any_ | seen
    shared, any_ = shared.clip(EPOCH, EPOCH + DAY), any_.clip(EPOCH, EPOCH + DAY)
    assert not (found.certain - shared)
    assert not (any_.shrink(1e-4, 1e-4) - found.possible)
    assert (shared - found.certain).durations_s.max() < 0.1
    assert (found.possible - any_).durations_s.max() < 0.1


def test_what_is_certain_and_possible_lies_on_either_side_of_what_is_predicted():
    for number in range(12):
        case = case_of(np.random.default_rng([7, number]))
        case = replace(case, error=replace(case.error, centre=(0.0, 0.0, 0.0)))
        found = case.bounds()
        station = case.horizon.station
        nominal = crossings(Sgp4Track(case.elements), station, -90.0, case.start, case.end)
        assert not (found.certain - nominal)
        assert not (nominal - found.possible)


def test_a_target_that_hangs_in_view_is_certain_until_the_ends_of_the_span():
    track = Sgp4Track(geostationary(8.5), "Hanging")
    found = bounded(track, [horizon_of(HOUSE)], OrbitError(20.0, 5.0), EPOCH, EPOCH, EPOCH + DAY)[0]
    assert found.certain == found.possible == IntervalSet([EPOCH], [EPOCH + DAY])


def test_a_contact_that_only_some_orbits_have_is_possible_and_one_that_grazes_is_not_certain():
    summit = predict([TRACK], [HOUSE], EPOCH, EPOCH + DAY)
    lowest = int(np.argmin(summit.max_elevation_deg))
    top_deg = float(summit.max_elevation_deg[lowest])
    for offset_deg, is_nominal in ((-0.02, True), (0.02, False)):
        station = replace(HOUSE, least_elevation_deg=top_deg + offset_deg)
        nominal = crossings(TRACK, station, -90.0, EPOCH, EPOCH + DAY)
        found = bounded(TRACK, [horizon_of(station)], OrbitError(10.0), EPOCH, EPOCH, EPOCH + DAY)
        at = float(summit.tca[lowest])
        assert (at in nominal) is is_nominal
        assert at not in found[0].certain
        assert found[0].possible.meets(at - 60.0, at + 60.0)


def test_several_stations_at_once_are_what_each_is_alone():
    stations = [
        replace(HOUSE, name=str(n), latitude_deg=float(lat), longitude_deg=float(20 * n))
        for n, lat in enumerate(range(-80, 90, 20))
    ]
    stations[3] = replace(stations[3], mask=((0.0, 2.0), (90.0, 15.0), (180.0, 4.0)))
    error = OrbitError(3.0, 2.0, 0.0, 0.7, 0.7)
    span = EPOCH, EPOCH + DAY
    horizons = [horizon_of(each) for each in stations]
    together = bounded(TRACK, horizons, error, EPOCH, *span)
    for horizon, found in zip(horizons, together, strict=True):
        (alone,) = bounded(TRACK, [horizon], error, EPOCH, *span)
        for one, other in ((alone.certain, found.certain), (alone.possible, found.possible)):
            assert np.allclose(one.starts, other.starts, rtol=0, atol=1e-5)
            assert np.allclose(one.ends, other.ends, rtol=0, atol=1e-5)


def test_the_ends_of_coverage_do_not_depend_on_the_span_that_is_asked_for():
    horizons = [horizon_of(HOUSE), horizon_of(replace(HOUSE, mask=((0.0, 2.0), (90.0, 15.0))))]
    error = OrbitError(3.0, 2.0, 0.0, 0.7, 0.7)
    whole = bounded(TRACK, horizons, error, EPOCH, EPOCH, EPOCH + DAY)
    part = bounded(TRACK, horizons, error, EPOCH, EPOCH + 7_777.7, EPOCH + 66_666.6)
    for all_, some in zip(whole, part, strict=True):
        for one, other in ((all_.certain, some.certain), (all_.possible, some.possible)):
            cut = one.clip(EPOCH + 7_777.7, EPOCH + 66_666.6)
            assert np.allclose(cut.starts, other.starts, rtol=0, atol=1e-4)
            assert np.allclose(cut.ends, other.ends, rtol=0, atol=1e-4)


def test_a_wider_error_makes_less_certain_and_more_possible():
    horizons = [horizon_of(HOUSE)]
    last = None
    for bound in (0.05, 1.0, 10.0, 100.0):
        (found,) = bounded(TRACK, horizons, OrbitError(bound), EPOCH, EPOCH, EPOCH + DAY)
        if last is not None:
            assert not (found.certain - last.certain)
            assert not (last.possible - found.possible)
        last = found


def test_an_offset_track_is_early_in_space_and_over_an_earth_that_has_turned():
    early = OffsetTrack(TRACK, 100.0)
    at = np.array([EPOCH + 50.0])
    assert np.array_equal(early.states(at)[0], TRACK.states(at + 100.0)[0])


def test_the_range_of_a_mask_is_that_of_all_azimuths_in_it():
    random = np.random.default_rng(5)
    station = replace(HOUSE, mask=((10.0, 1.0), (80.0, 20.0), (80.5, 3.0), (200.0, 12.0)))
    horizon = horizon_of(station)
    mask = MaskRange(horizon)
    for _ in range(200):
        start, width = random.uniform(0, 360), random.uniform(0, 170)
        azimuth = np.array([[start], [start + width]]) % 360.0
        least, greatest = mask.between(azimuth, np.zeros(1), np.ones(1))
        fine = np.sin(np.radians(horizon.mask_deg((start + np.linspace(0, width, 4001)) % 360.0)))
        assert least[0] <= fine.min() + 1e-12
        assert greatest[0] >= fine.max() - 1e-12
        assert greatest[0] - fine.max() < 0.01
        assert fine.min() - least[0] < 0.01


def test_a_bound_that_looks_less_far_is_caught():
    """The hunt itself can fail: with half of the error left out it finds orbits out of view."""

    class Careless(Case):
        def bounds(self):
            half = replace(self.error, at_epoch_s=0.5 * self.error.at_epoch_s)
            return replace(Case(**vars(self)), error=half).bounds()

    count = Count()
    random = np.random.default_rng(3)
    case = Careless(invented(), horizon_of(HOUSE), OrbitError(10.0), EPOCH, EPOCH + DAY)
    look_at(case, random, count, "careless")
    assert count.out_of_view > 0
    assert count.unforeseen > 0
