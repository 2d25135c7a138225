"""How far contacts moved between two predictions."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from orbits import EPOCH, invented

from contactd.core.contacts.comparison import compare
from contactd.core.contacts.contact import Contact
from contactd.core.contacts.prediction import predict
from contactd.core.ground.station import Station
from contactd.core.orbit.sgp4_track import Sgp4Track

HALF_PERIOD_S = 2900.0


def contact(aos: float, los: float, station: str = "Skerry Head", **changes: bool) -> Contact:
    return Contact("Lantern 3", station, aos, (aos + los) / 2, los, 0, 90, 180, 40, 900, **changes)


def test_contacts_that_meet_are_one_and_the_shift_has_its_sign() -> None:
    found = compare(
        [contact(1000, 1600), contact(7000, 7500)],
        [contact(990, 1590), contact(7025, 7520)],
        HALF_PERIOD_S,
        0.0,
    )
    assert [pair.aos_s for pair in found.pairs] == [-10.0, 25.0]
    assert [pair.los_s for pair in found.pairs] == [-10.0, 20.0]
    assert found.furthest_s == 25.0
    assert found.furthest is not None
    assert found.furthest.before.aos == 7000
    assert (found.vanished, found.appeared) == ((), ())


def test_a_shift_longer_than_the_contact_is_still_a_shift() -> None:
    found = compare([contact(1000, 1300)], [contact(1700, 2000)], HALF_PERIOD_S, 0.0)
    assert found.furthest_s == 700.0
    far = compare([contact(1000, 1300)], [contact(4700, 5000)], HALF_PERIOD_S, 0.0)
    assert far.furthest is None
    assert (len(far.vanished), len(far.appeared)) == (1, 1)


def test_a_contact_goes_to_the_one_it_overlaps_rather_than_to_a_nearer_middle() -> None:
    long, grazing = contact(0, 2000), contact(2010, 2030)
    found = compare([long, contact(2400, 2500)], [contact(1900, 2100)], HALF_PERIOD_S, -1.0)
    assert [pair.before for pair in found.pairs] == [long]
    assert compare([grazing], [], HALF_PERIOD_S, 0.0).vanished == (grazing,)


def test_contacts_of_different_stations_are_never_the_same() -> None:
    found = compare(
        [contact(1000, 1600, "Skerry Head")], [contact(1000, 1600, "Greywater")], 2900.0, 0.0
    )
    assert found.pairs == ()
    assert [each.station for each in found.vanished] == ["Skerry Head"]
    assert [each.station for each in found.appeared] == ["Greywater"]


def test_a_contact_that_is_cut_says_nothing_of_the_cut_end() -> None:
    found = compare([contact(0, 600, cut_at_start=True)], [contact(100, 700)], HALF_PERIOD_S, 0.0)
    assert found.pairs[0].aos_s is None
    assert found.pairs[0].los_s == 100.0
    assert found.furthest is None
    assert found.furthest_s == 0.0


def test_what_is_over_is_of_no_interest() -> None:
    found = compare([contact(1000, 1600)], [contact(1300, 1900)], HALF_PERIOD_S, 2000.0)
    assert found.pairs == ()


def test_a_shift_is_measured_and_what_came_or_went_is_kept_apart() -> None:
    shifted = compare([contact(1000, 1600)], [contact(1031, 1631)], HALF_PERIOD_S, 0.0)
    assert shifted.furthest_s == 31.0
    gone = compare([contact(1000, 1600)], [], HALF_PERIOD_S, 0.0)
    assert gone.furthest_s == 0.0
    assert gone.longest_unpaired == contact(1000, 1600)


@given(
    st.lists(st.tuples(st.floats(0, 1e5), st.floats(1, 900)), max_size=12),
    st.lists(st.tuples(st.floats(0, 1e5), st.floats(1, 900)), max_size=12),
)
def test_every_contact_is_in_one_pair_or_in_none(
    olds: list[tuple[float, float]], news: list[tuple[float, float]]
) -> None:
    before = [contact(aos, aos + lasts) for aos, lasts in olds]
    after = [contact(aos, aos + lasts) for aos, lasts in news]
    found = compare(before, after, HALF_PERIOD_S, -1.0)
    assert sorted(
        [pair.before.aos for pair in found.pairs] + [each.aos for each in found.vanished]
    ) == sorted(each.aos for each in before)
    assert sorted(
        [pair.after.aos for pair in found.pairs] + [each.aos for each in found.appeared]
    ) == sorted(each.aos for each in after)


@given(st.floats(-200, 200))
def test_what_is_shifted_as_a_whole_moves_by_just_that(shift_s: float) -> None:
    before = [contact(aos, aos + 500.0) for aos in (1000.0, 6700.0, 12_300.0)]
    after = [replace(each, aos=each.aos + shift_s, los=each.los + shift_s) for each in before]
    found = compare(before, after, HALF_PERIOD_S, -1.0)
    assert [pair.aos_s for pair in found.pairs] == pytest.approx([shift_s] * 3, abs=1e-9)


def test_a_later_mean_anomaly_brings_every_contact_earlier() -> None:
    # 0.5 degree of a revolution of 5,800 s is 8 s; the Earth turns a little meanwhile.
    station = Station("House", 47.0, 8.0, least_elevation_deg=5.0)
    span = (EPOCH, EPOCH + 86_400.0)
    elements = invented(mean_anomaly_deg=10.0)
    ahead = replace(elements, mean_anomaly_deg=10.5)
    before, after = (
        list(predict([Sgp4Track(each)], [station], *span)) for each in (elements, ahead)
    )
    found = compare(before, after, 2900.0, EPOCH)
    period_s = 86_400.0 / elements.mean_motion_rev_per_day
    shifts = [pair.aos_s for pair in found.pairs if pair.aos_s is not None]
    assert len(shifts) >= 3
    assert shifts == pytest.approx([-0.5 / 360 * period_s] * len(shifts), abs=4.0)
