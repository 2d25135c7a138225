"""Predictions that are extended, cut and exchanged."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from orbits import EPOCH, geostationary, invented

from contactd.core.contacts.extension import appended, exchanged, extend, since
from contactd.core.contacts.prediction import predict
from contactd.core.contacts.table import ContactTable
from contactd.core.ground.station import Station
from contactd.core.orbit.sgp4_track import Sgp4Track

DAY = 86_400.0
STATIONS = [
    Station("middle", 47.3, 8.5, 450.0, 5.0),
    Station("pole", -90.0, 0.0, 2800.0, 0.0),
    Station("valley", 60.0, 20.0, 100.0, 1.0, mask=((20.0, 2.0), (120.0, 25.0), (200.0, 0.0))),
]
TRACKS = [
    Sgp4Track(invented(), "Low"),
    Sgp4Track(
        invented(2.0061, 0.72, 63.4, argument_of_perigee_deg=270.0, bstar_per_earth_radius=0.0),
        "Eccentric",
    ),
    Sgp4Track(geostationary(10.0), "Always up"),
]


def same(one, other):
    assert [(each.target, each.station) for each in one] == [
        (each.target, each.station) for each in other
    ]
    for name, allowed in (("aos", 1e-4), ("los", 1e-4), ("max_elevation_deg", 1e-4)):
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=allowed)
    for name in ("cut_at_start", "cut_at_end"):
        assert (getattr(one, name) == getattr(other, name)).all()
    moving = one.max_elevation_deg < 85.0
    low = np.array([each.target == "Low" for each in one])
    assert one.tca[moving & low] == pytest.approx(other.tca[moving & low], abs=1e-3)
    assert (one.start, one.end) == (other.start, other.end)


@given(st.lists(st.floats(0.01, 1.99), min_size=1, max_size=5, unique=True))
@settings(max_examples=12)
def test_a_prediction_extended_bit_by_bit_is_the_prediction_of_the_whole(seams):
    table = predict(TRACKS, STATIONS, EPOCH, EPOCH)
    for seam in [*sorted(seams), 2.0]:
        table = extend(table, TRACKS, STATIONS, EPOCH + seam * DAY)
    same(table, predict(TRACKS, STATIONS, EPOCH, EPOCH + 2.0 * DAY))


def test_a_seam_in_the_middle_of_a_contact_leaves_no_trace():
    whole = predict(TRACKS[:1], STATIONS, EPOCH, EPOCH + DAY)
    for contact in whole:
        for seam in (contact.aos + 1.0, contact.tca, contact.los - 1.0):
            first = predict(TRACKS[:1], STATIONS, EPOCH, seam)
            same(extend(first, TRACKS[:1], STATIONS, EPOCH + DAY), whole)


def test_extending_to_an_earlier_end_changes_nothing():
    table = predict(TRACKS, STATIONS, EPOCH, EPOCH + DAY)
    assert extend(table, TRACKS, STATIONS, EPOCH + DAY / 2) is table


def test_spans_that_do_not_meet_are_refused():
    one = predict(TRACKS, STATIONS, EPOCH, EPOCH + DAY)
    with pytest.raises(ValueError, match="does not go on"):
        appended(one, ContactTable(EPOCH + DAY + 1.0, EPOCH + 2 * DAY))


def test_a_decay_is_told_once_however_often_the_prediction_is_extended():
    falling = [Sgp4Track(invented(16.3, 0.0005, 60.0, bstar_per_earth_radius=5e-3), "Falling")]
    table = predict(falling, STATIONS, EPOCH, EPOCH + DAY)
    for day in (2, 3, 4):
        table = extend(table, falling, STATIONS, EPOCH + day * DAY)
    assert [each.target for each in table.problems] == ["Falling"]
    whole = predict(falling, STATIONS, EPOCH, EPOCH + 4 * DAY)
    same(table, whole)


def test_what_ended_before_is_dropped_and_what_is_under_way_stays_whole():
    table = predict(TRACKS, STATIONS, EPOCH, EPOCH + DAY)
    later = float(table.tca[7])
    kept = since(table, later)
    assert (kept.los > later).all()
    assert table.aos[7] in kept.aos
    assert kept.start == later


def test_one_targets_new_elements_change_that_target_alone():
    table = predict(TRACKS, STATIONS, EPOCH, EPOCH + DAY)
    newer = Sgp4Track(invented(mean_anomaly_deg=10.2), "Low")
    fresh = predict([newer], STATIONS, EPOCH, EPOCH + DAY)
    mixed = exchanged(table, fresh)
    assert list(mixed.of("Low")) == list(fresh)
    for name in ("Eccentric", "Always up"):
        assert list(mixed.of(name)) == list(table.of(name))
    assert (np.diff(mixed.aos) >= 0.0).all()
