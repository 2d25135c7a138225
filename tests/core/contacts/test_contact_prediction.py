"""Contacts, judged by what must be true of any of them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from orbits import EPOCH, clearance, geostationary, invented

from contactd.core.contacts.prediction import crossings, predict
from contactd.core.ground.look import look
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.frames import teme_to_fixed
from contactd.core.orbit.sgp4_track import Sgp4Track

DAY = 86_400.0
HOUSE = Station("house", 47.3, 8.5, 450.0)


def agrees_with_a_scan(track, station, table, start, end, step_s=1.0):
    """A scan finds neither more nor less than the table, to the millisecond's clearance."""
    instants = np.arange(start, end, step_s)
    above = clearance(track, station, instants)
    inside = table.of(station=station.name).intervals().holds(instants)
    # An elevation changes by at most a few degrees a second: 0.02° is some 10 ms.
    sure = np.abs(above) > 0.02
    wrong = sure & ((above >= 0.0) != inside)
    assert not wrong.any(), f"{instants[wrong][:3] - start} {above[wrong][:3]}"


masks = st.one_of(
    st.just(()),
    st.lists(
        st.tuples(st.integers(0, 359), st.integers(-3, 40)),
        min_size=1,
        max_size=8,
        unique_by=lambda point: point[0],
    ).map(lambda points: tuple(sorted((float(a), float(e)) for a, e in points))),
)


@st.composite
def scenes(draw):
    revolutions = draw(st.floats(0.9, 16.0))
    axis_km = (398_600.8 / (revolutions * 2.0 * np.pi / DAY) ** 2) ** (1.0 / 3.0)
    roundest = max(0.0, 1.0 - 6_560.0 / axis_km)
    elements = invented(
        revolutions,
        draw(st.floats(0.0, 0.95)) * roundest,
        draw(st.floats(0.0, 180.0)),
        draw(st.floats(0.0, 360.0)),
        draw(st.floats(0.0, 360.0)),
        draw(st.floats(0.0, 360.0)),
        draw(st.sampled_from([0.0, 1e-5, 3e-4, -1e-4])),
    )
    station = Station(
        "anywhere",
        draw(st.one_of(st.floats(-90.0, 90.0), st.sampled_from([-90.0, 0.0, 90.0]))),
        draw(st.one_of(st.floats(-180.0, 180.0), st.sampled_from([-180.0, 0.0, 180.0]))),
        draw(st.floats(-400.0, 5_000.0)),
        least_elevation_deg=draw(st.sampled_from([-2.0, 0.0, 5.0, 10.0, 30.0, 70.0])),
        mask=draw(masks),
        refraction=draw(st.booleans()),
    )
    return elements, station, draw(st.floats(-2.0, 6.0)) * DAY


@given(scenes())
@settings(max_examples=80)
def test_a_scan_second_by_second_finds_neither_more_nor_less(scene):
    elements, station, offset = scene
    track = Sgp4Track(elements)
    start, end = EPOCH + offset, EPOCH + offset + DAY / 3.0
    if not track.valid_between(start, end).covers(start, end):
        return
    table = predict([track], [station], start, end)
    agrees_with_a_scan(track, station, table, start, end)
    for contact in table:
        assert start <= contact.aos <= contact.tca <= contact.los <= end
        assert contact.cut_at_start == (contact.aos == start)
        assert contact.cut_at_end == (contact.los == end)
        assert contact.max_elevation_deg >= station.least_elevation_deg - 1e-6
    assert (table.aos[1:] > table.los[:-1]).all()


@given(st.floats(0.0, 360.0), st.floats(0.0, 360.0), st.floats(20.0, 160.0))
@settings(max_examples=25)
def test_a_rise_crosses_upward_a_set_downward_and_nothing_is_higher_than_the_peak(
    raan_deg, anomaly_deg, inclination_deg
):
    track = Sgp4Track(invented(14.2, 0.01, inclination_deg, raan_deg, mean_anomaly_deg=anomaly_deg))
    table = predict([track], [HOUSE], EPOCH, EPOCH + DAY)
    for contact in table:
        if not contact.cut_at_start:
            around = clearance(track, HOUSE, contact.aos + np.array([-0.05, 0.05]))
            assert around[0] < 0.0 < around[1]
        if not contact.cut_at_end:
            around = clearance(track, HOUSE, contact.los + np.array([-0.05, 0.05]))
            assert around[0] > 0.0 > around[1]
        course = clearance(track, HOUSE, np.linspace(contact.aos, contact.los, 500))
        assert course.max() <= contact.max_elevation_deg + 1e-6
        assert course[1:-1].min() > 0.0


def grazing_threshold(margin_deg):
    """A station whose least elevation lies a little below (or above) the peak of one pass."""
    track = Sgp4Track(invented())
    open_sky = predict([track], [HOUSE], EPOCH, EPOCH + DAY)
    peak = open_sky[3]
    station = Station("graze", 47.3, 8.5, 450.0, peak.max_elevation_deg - margin_deg)
    return predict([track], [station], peak.aos - 60.0, peak.los + 60.0), peak


@pytest.mark.parametrize("margin_deg", [1e-2, 1e-3, 1e-4, 3e-5])
def test_a_pass_that_only_grazes_the_least_elevation_is_found(margin_deg):
    table, peak = grazing_threshold(margin_deg)
    assert len(table) == 1
    assert table[0].aos < peak.tca < table[0].los
    assert 1.0 < table[0].duration_s < 120.0


@pytest.mark.parametrize("margin_deg", [-1e-2, -1e-4, -1e-6])
def test_a_pass_that_stays_a_hair_below_is_not_invented(margin_deg):
    assert len(grazing_threshold(margin_deg)[0]) == 0


def test_a_contact_with_two_summits_is_one_and_its_peak_is_the_higher():
    """Seen from the ground, a tilted twelve-hour orbit rises, dips and rises again."""
    track = Sgp4Track(
        invented(2.0061, 0.30, 63.4, argument_of_perigee_deg=270.0, bstar_per_earth_radius=0.0)
    )
    found = 0
    for longitude in range(-180, 180, 30):
        station = Station("two", 25.0, float(longitude))
        table = predict([track], [station], EPOCH, EPOCH + DAY)
        for contact in table:
            at = np.linspace(contact.aos, contact.los, 4_000)
            course = clearance(track, station, at)
            inner = (course[1:-1] > course[:-2]) & (course[1:-1] > course[2:])
            if inner.sum() < 2:
                continue
            found += 1
            assert abs(at[course.argmax()] - contact.tca) < 2.0 * (at[1] - at[0])
            assert contact.max_elevation_deg == pytest.approx(course.max(), abs=1e-3)
    assert found > 0


def test_a_dip_below_the_least_elevation_between_two_summits_parts_two_contacts():
    track = Sgp4Track(
        invented(2.0061, 0.30, 63.4, argument_of_perigee_deg=270.0, bstar_per_earth_radius=0.0)
    )
    for longitude in range(-180, 180, 30):
        low = Station("low", 25.0, float(longitude))
        for contact in predict([track], [low], EPOCH, EPOCH + DAY):
            at = np.linspace(contact.aos, contact.los, 4_000)
            course = clearance(track, low, at)
            dips = (course[1:-1] < course[:-2]) & (course[1:-1] < course[2:])
            if not dips.any():
                continue
            dip = 1 + int(np.flatnonzero(dips)[0])
            raised = Station("raised", 25.0, float(longitude), 0.0, course[dip] + 1e-3)
            parted = predict([track], [raised], contact.aos, contact.los)
            assert any(
                first < at[dip] < second
                for first, second in zip(parted.los[:-1], parted.aos[1:], strict=True)
            )
            return
    pytest.fail("no contact with a dip was found")


def test_a_geostationary_satellite_is_always_up_or_never():
    track = Sgp4Track(geostationary(10.0))
    far = Station("far side", 0.0, -150.0)
    table = predict([track], [HOUSE, far], EPOCH, EPOCH + 7 * DAY)
    assert len(table) == 1
    contact = table[0]
    assert (contact.station, contact.aos, contact.los) == ("house", EPOCH, EPOCH + 7 * DAY)
    assert contact.cut_at_start
    assert contact.cut_at_end


def test_a_drifting_geostationary_satellite_that_swings_through_the_horizon_is_followed():
    track = Sgp4Track(geostationary(10.0, inclination_deg=3.0))
    edge = Station("edge", 78.0, 10.0, least_elevation_deg=2.0)
    table = predict([track], [edge], EPOCH, EPOCH + 3 * DAY)
    assert len(table) >= 3
    agrees_with_a_scan(track, edge, table, EPOCH, EPOCH + 3 * DAY, step_s=30.0)


def test_the_short_contact_at_the_perigee_of_a_highly_eccentric_orbit_is_found():
    track = Sgp4Track(
        invented(2.0061, 0.73, 63.4, argument_of_perigee_deg=270.0, bstar_per_earth_radius=0.0)
    )
    south = [Station(f"south {x}", -55.0, float(x)) for x in range(-180, 180, 15)]
    table = predict([track], south, EPOCH, EPOCH + 2 * DAY)
    assert any(contact.duration_s < 1200.0 for contact in table)
    for station in south[::4]:
        agrees_with_a_scan(track, station, table, EPOCH, EPOCH + 2 * DAY)


def test_a_polar_station_sees_every_revolution_of_a_polar_orbit():
    track = Sgp4Track(invented(14.9, 0.001, 90.0))
    for latitude in (90.0, -90.0):
        table = predict([track], [Station("pole", latitude, 0.0)], EPOCH, EPOCH + DAY)
        assert len(table) in (14, 15, 16)
        whole = ~(table.cut_at_start | table.cut_at_end)
        assert table.max_elevation_deg[whole].min() > 89.9


def test_a_station_on_the_antimeridian_sees_the_same_under_either_longitude():
    track = Sgp4Track(invented())
    west = predict([track], [Station("x", -16.8, -180.0)], EPOCH, EPOCH + DAY)
    east = predict([track], [Station("x", -16.8, 180.0)], EPOCH, EPOCH + DAY)
    assert len(west) > 0
    assert west.aos == pytest.approx(east.aos, abs=1e-5)


def test_a_span_that_begins_and_ends_in_contact_cuts_and_says_so():
    track = Sgp4Track(invented())
    whole = predict([track], [HOUSE], EPOCH, EPOCH + DAY)
    first, last = whole[0], whole[len(whole) - 1]
    start, end = first.tca, last.aos + 5.0
    table = predict([track], [HOUSE], start, end)
    assert (table[0].aos, table[0].cut_at_start) == (start, True)
    assert table[0].tca == start
    ending = table[len(table) - 1]
    assert (ending.los, ending.cut_at_end, ending.tca) == (end, True, end)
    assert table.los[:-1] == pytest.approx(whole.los[:-1], abs=1e-4)


def test_an_object_that_decays_within_the_span_is_cut_there_and_the_others_go_on():
    falling = Sgp4Track(invented(16.3, 0.0005, 60.0, bstar_per_earth_radius=5e-3), "Falling")
    steady = Sgp4Track(invented(), "Steady")
    table = predict([falling, steady], [HOUSE], EPOCH, EPOCH + 5 * DAY)
    (problem,) = table.problems
    assert problem.target == "Falling"
    assert "decayed" in problem.reason
    assert EPOCH < problem.from_instant < EPOCH + 5 * DAY
    fallen = table.of("Falling")
    assert len(fallen) > 0
    assert fallen.los.max() <= problem.from_instant
    alone = predict([steady], [HOUSE], EPOCH, EPOCH + 5 * DAY)
    assert np.array_equal(table.of("Steady").aos, alone.aos)


def test_what_sgp4_says_after_a_decay_counts_for_nothing():
    falling = Sgp4Track(invented(16.3, 0.0005, 60.0, bstar_per_earth_radius=5e-3), "Falling")
    table = predict([falling], [HOUSE], EPOCH + 20 * DAY, EPOCH + 27 * DAY)
    assert len(table) == 0
    assert len(table.problems) == 1


def test_elements_that_sgp4_refuses_are_a_problem_of_that_target_alone():
    refused = Sgp4Track(invented(14.0, 0.9, 60.0), "Refused")
    table = predict([refused, Sgp4Track(invented(), "Good")], [HOUSE], EPOCH, EPOCH + DAY)
    assert [problem.target for problem in table.problems] == ["Refused"]
    assert set(np.array(table.targets)[table.target]) == {"Good"}


def test_a_leap_second_neither_sets_the_satellite_back_nor_parts_a_contact():
    """A second was inserted at the end of 2016 (IERS Bulletin C 52)."""
    before = from_text("2016-12-31T20:00:00Z")
    track = Sgp4Track(invented(epoch=before))
    start, end = before, from_text("2017-01-01T04:00:00Z")
    assert end - start == 8 * 3600.0 + 1.0
    agrees_with_a_scan(track, HOUSE, predict([track], [HOUSE], start, end), start, end)
    at = from_text("2016-12-31T23:59:60Z") + np.array([-0.5, 0.5, 1.5])
    position, velocity = track.states(at)
    step = np.linalg.norm(np.diff(position, axis=0), axis=1)
    assert step == pytest.approx(np.linalg.norm(velocity[:2], axis=1), rel=2e-3)


def test_a_mask_with_a_narrow_tower_parts_the_contact_that_passes_behind_it():
    track = Sgp4Track(invented())
    open_sky = predict([track], [HOUSE], EPOCH, EPOCH + DAY)
    contact = max(open_sky, key=lambda each: each.max_elevation_deg)
    at = contact.aos + 0.2 * contact.duration_s
    moment = np.array([at])
    azimuth = float(look(HOUSE, *teme_to_fixed(moment, *track.states(moment))).azimuth_deg[0])
    tower = tuple(
        sorted(
            ((azimuth + side) % 360.0, height)
            for side, height in ((-1.01, 0.0), (-1.0, 85.0), (1.0, 85.0), (1.01, 0.0))
        )
    )
    masked = Station("house", 47.3, 8.5, 450.0, mask=tower)
    table = predict([track], [masked], contact.aos - 60.0, contact.los + 60.0)
    assert len(table) == 2
    assert table[0].los < at < table[1].aos
    agrees_with_a_scan(track, masked, table, contact.aos - 60.0, contact.los + 60.0, 0.1)


def test_refraction_lets_a_target_rise_earlier_and_set_later():
    track = Sgp4Track(invented())
    plain = predict([track], [HOUSE], EPOCH, EPOCH + DAY)
    bent = predict(
        [track], [Station("house", 47.3, 8.5, 450.0, refraction=True)], EPOCH, EPOCH + DAY
    )
    longer = [each for each in bent if plain.intervals().meets(each.aos, each.los)]
    assert len(longer) == len(plain)
    for seen, unbent in zip(longer, plain, strict=True):
        assert seen.aos < unbent.aos
        assert seen.los > unbent.los
        assert seen.max_elevation_deg > unbent.max_elevation_deg


def test_crossings_of_a_higher_elevation_lie_within_the_contacts():
    track = Sgp4Track(invented())
    low = crossings(track, HOUSE, 0.0, EPOCH, EPOCH + DAY)
    high = crossings(track, HOUSE, 30.0, EPOCH, EPOCH + DAY)
    assert low == predict([track], [HOUSE], EPOCH, EPOCH + DAY).intervals()
    assert high
    assert not high - low


def test_an_empty_span_and_no_stations_give_an_empty_table():
    track = Sgp4Track(invented())
    assert len(predict([track], [HOUSE], EPOCH, EPOCH)) == 0
    assert len(predict([track], [], EPOCH, EPOCH + DAY)) == 0
    assert len(predict([], [HOUSE], EPOCH, EPOCH + DAY)) == 0


def test_a_track_with_a_gap_is_predicted_on_both_sides_of_it_and_not_across():
    class Gapped:
        name = "Gapped"

        def __init__(self, inner, validity):
            self._inner, self.validity = inner, validity
            self.fastest_rate_rad_s = inner.fastest_rate_rad_s

        def states(self, instants):
            position, velocity = self._inner.states(instants)
            lost = ~(self.validity.holds(instants) | np.isin(instants, self.validity.ends))
            position[lost] = velocity[lost] = np.nan
            return position, velocity

    inner = Sgp4Track(invented())
    whole = predict([inner], [HOUSE], EPOCH, EPOCH + DAY)
    split = whole[4]
    gap = (split.aos + 100.0, split.los - 100.0)
    validity = IntervalSet([EPOCH - DAY, gap[1]], [gap[0], EPOCH + 2 * DAY])
    table = predict([Gapped(inner, validity)], [HOUSE], EPOCH, EPOCH + DAY)
    assert len(table) == len(whole) + 1
    assert not table.intervals().meets(*gap)
    assert (table[4].los, table[4].cut_at_end) == (gap[0], True)
    assert (table[5].aos, table[5].cut_at_start) == (gap[1], True)
    assert [problem.from_instant for problem in table.problems] == [gap[0]]


def test_a_track_that_fails_where_it_says_it_is_valid_is_cut_there_and_said_to_be():
    class Faltering:
        name = "Faltering"
        validity = IntervalSet.everything()

        def __init__(self, inner, lost):
            self._inner, self._lost = inner, lost
            self.fastest_rate_rad_s = inner.fastest_rate_rad_s

        def states(self, instants):
            position, velocity = self._inner.states(instants)
            lost = self._lost.holds(instants)
            position[lost] = velocity[lost] = np.nan
            return position, velocity

    inner = Sgp4Track(invented())
    whole = predict([inner], [HOUSE], EPOCH, EPOCH + DAY)
    lost = IntervalSet([whole[3].tca], [whole[3].tca + 3_000.0])
    table = predict([Faltering(inner, lost)], [HOUSE], EPOCH, EPOCH + DAY)
    apart = [each for each in whole if not lost.grow(400.0, 400.0).meets(each.aos, each.los)]
    assert 0 < len(apart) < len(whole)
    assert all(np.abs(table.aos - each.aos).min() < 1e-4 for each in apart)
    (problem,) = table.problems
    assert abs(problem.from_instant - lost.starts[0]) < 400.0
    assert not table.intervals().meets(*next(iter(lost)))
