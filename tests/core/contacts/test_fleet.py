"""The compiled path against the plain one, and the tasks that a fleet is cut into."""

import pickle
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from orbits import EPOCH, geostationary, invented

from contactd.core.contacts.fleet import (
    InThisProcess,
    can_compile,
    predict_fleet,
    predict_task,
    tasks_of,
)
from contactd.core.contacts.prediction import predict
from contactd.core.contacts.table import COLUMNS
from contactd.core.ground.station import Station
from contactd.core.orbit.sgp4_track import Sgp4Track

pytestmark = pytest.mark.skipif(not can_compile(), reason="the extra 'fleet' is not installed")

DAY = 86_400.0
STATIONS = [
    Station("middle", 47.3, 8.5, 450.0, 5.0),
    Station("pole", -90.0, 0.0, 2800.0, 0.0),
    Station("dateline", 5.0, 180.0, 10.0, 10.0),
    Station("bent", 30.0, -60.0, 0.0, 0.0, refraction=True),
    Station("valley", 60.0, 20.0, 100.0, 1.0, mask=((20.0, 2.0), (120.0, 25.0), (200.0, 0.0))),
    Station(
        "tower", 20.0, 100.0, 0.0, 0.0, mask=((89.0, 0.0), (90.0, 60.0), (94.0, 60.0), (94.5, 1.0))
    ),
    Station("both", 10.0, 50.0, 0.0, 0.0, mask=((0.0, 1.0), (180.0, 8.0)), refraction=True),
]


def same(compiled, plain, edge_s=5e-5, peak_s=0.1):
    """The same contacts; rise and set to some hundredths of a millisecond.

    A geostationary peak is so flat that SGP4's own last digits move it by some hundredths of a
    second; its height is the same.
    """
    assert len(compiled) == len(plain)
    assert compiled.targets == plain.targets
    assert compiled.stations == plain.stations
    rows = [np.lexsort((table.aos, table.station, table.target)) for table in (compiled, plain)]

    def apart(name):
        return np.abs(getattr(compiled, name)[rows[0]] - getattr(plain, name)[rows[1]])

    for name in ("target", "station"):
        assert not apart(name).any()
    for name in ("cut_at_start", "cut_at_end"):
        assert (getattr(compiled, name)[rows[0]] == getattr(plain, name)[rows[1]]).all()
    assert apart("aos").max(initial=0.0) < edge_s
    assert apart("los").max(initial=0.0) < edge_s
    assert apart("tca").max(initial=0.0) < peak_s
    assert apart("max_elevation_deg").max(initial=0.0) < 5e-4
    assert apart("tca_range_km").max(initial=0.0) < 0.05
    # Overhead, a tenth of a millisecond turns the antenna visibly.
    steady = plain.max_elevation_deg[rows[1]] < 85.0
    assert apart("max_elevation_deg")[steady].max(initial=0.0) < 2e-5
    for name in ("aos_azimuth_deg", "los_azimuth_deg", "tca_azimuth_deg"):
        around = np.minimum(apart(name), 360.0 - apart(name))[steady]
        assert around.max(initial=0.0) < 5e-3
    assert [str(each) for each in compiled.problems] == [str(each) for each in plain.problems]


KINDS = {
    "low": invented(),
    "low, much drag": invented(15.9, 0.0008, 51.6, bstar_per_earth_radius=4e-4),
    "low, eccentric": invented(11.0, 0.2, 63.0),
    "just below the deep": invented(6.45, 0.45, 30.0),
    "just above the deep": invented(6.35, 0.45, 30.0),
    "twelve hours": invented(2.00561, 0.008, 55.0, bstar_per_earth_radius=0.0),
    "twelve hours, eccentric": invented(
        2.0061, 0.72, 63.4, argument_of_perigee_deg=270.0, bstar_per_earth_radius=0.0
    ),
    "transfer": invented(2.27, 0.73, 7.0, bstar_per_earth_radius=1e-5),
    "geostationary": geostationary(10.0),
    "drifting": geostationary(-40.0, inclination_deg=6.0),
    "decaying": invented(16.3, 0.0005, 60.0, bstar_per_earth_radius=5e-3),
    "refused": invented(14.0, 0.9, 60.0),
}


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_orbit_gives_the_plain_paths_numbers(kind):
    tracks = [Sgp4Track(KINDS[kind], kind)]
    start, end = EPOCH + 1_234.5, EPOCH + 3 * DAY
    plain = predict(tracks, STATIONS, start, end)
    same(predict_fleet(tracks, STATIONS, start, end, compiled=True), plain)


@st.composite
def scenes(draw):
    revolutions = draw(st.floats(0.9, 16.0))
    axis_km = (398_600.8 / (revolutions * 2.0 * np.pi / DAY) ** 2) ** (1.0 / 3.0)
    roundest = max(0.0, 1.0 - 6_560.0 / axis_km)
    angle = st.floats(0.0, 360.0)
    elements = invented(
        revolutions,
        draw(st.floats(0.0, 0.95)) * roundest,
        draw(st.floats(0.0, 180.0)),
        draw(angle),
        draw(angle),
        draw(angle),
        draw(st.sampled_from([0.0, 1e-5, 3e-4, -1e-4])),
    )
    points = draw(
        st.lists(
            st.tuples(st.integers(0, 359), st.integers(-3, 40)),
            max_size=6,
            unique_by=lambda point: point[0],
        )
    )
    mask = tuple(sorted((float(a), float(e)) for a, e in points))
    station = Station(
        "anywhere",
        draw(st.floats(-90.0, 90.0)),
        draw(st.floats(-180.0, 180.0)),
        draw(st.floats(-400.0, 5_000.0)),
        least_elevation_deg=draw(st.sampled_from([-2.0, 0.0, 5.0, 10.0, 30.0, 70.0])),
        mask=mask,
        refraction=draw(st.booleans()),
    )
    return elements, station, draw(st.floats(-40.0, 40.0)) * DAY


@given(scenes())
@settings(max_examples=150)
def test_any_scene_gives_the_plain_paths_numbers(scene):
    elements, station, offset = scene
    start, end = EPOCH + offset, EPOCH + offset + DAY
    plain = predict([Sgp4Track(elements)], [station], start, end)
    compiled = predict_fleet([Sgp4Track(elements)], [station], start, end, compiled=True)
    same(compiled, plain)


def fleet():
    return [Sgp4Track(elements, kind) for kind, elements in KINDS.items()]


def identical(one, other):
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in COLUMNS)


def test_threads_and_the_size_of_tasks_change_no_bit():
    start, end = EPOCH, EPOCH + 2 * DAY
    alone = predict_fleet(fleet(), STATIONS, start, end, compiled=True)
    threaded = predict_fleet(fleet(), STATIONS, start, end, InThisProcess(2), compiled=True)
    single = [predict_fleet([track], STATIONS, start, end, compiled=True) for track in fleet()]
    assert identical(alone, threaded)
    assert sum(len(each) for each in single) == len(alone)
    for each in single:
        rows = alone.of(each.targets[0])
        assert identical(each, replace(rows, target=np.zeros(len(rows), dtype=np.int32)))


def test_a_task_goes_through_a_pickle_and_its_result_too():
    (task,) = tasks_of(fleet(), STATIONS, EPOCH, EPOCH + DAY, compiled=True)
    there = pickle.loads(pickle.dumps(task))
    back = pickle.loads(pickle.dumps(predict_task(there)))
    assert identical(back, predict_task(task))
    assert [str(each) for each in back.problems] == [
        str(each) for each in predict_task(task).problems
    ]


def test_small_work_is_not_worth_compiling():
    table = predict_fleet([Sgp4Track(invented())], STATIONS[:4], EPOCH, EPOCH + 7 * DAY)
    plain = predict([Sgp4Track(invented())], STATIONS[:4], EPOCH, EPOCH + 7 * DAY)
    assert identical(table, plain)


def test_no_targets_and_no_stations_give_an_empty_table():
    for compiled in (False, True):
        assert len(predict_fleet([], STATIONS, EPOCH, EPOCH + DAY, compiled=compiled)) == 0
        assert len(predict_fleet(fleet(), [], EPOCH, EPOCH + DAY, compiled=compiled)) == 0
        assert len(predict_fleet(fleet(), STATIONS, EPOCH, EPOCH, compiled=compiled)) == 0
