"""Coverage of services: command windows from contacts."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from orbits import EPOCH, invented

from contactd.core.contacts.bounded import bounded
from contactd.core.contacts.coverage import any_station, seen_from, services
from contactd.core.contacts.horizon import horizon_of
from contactd.core.contacts.offset_track import OffsetTrack
from contactd.core.contacts.prediction import crossings, predict
from contactd.core.ground.station import ServiceTerms, Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.orbit_error import EXACT, OrbitError
from contactd.core.orbit.sgp4_track import Sgp4Track

DAY = 86_400.0
TRACK = Sgp4Track(invented(), "Invented")
NONE = EXACT


def house(outages=(), **services_offered):
    return Station(
        "house",
        47.3,
        8.5,
        450.0,
        least_elevation_deg=2.0,
        services=services_offered,
        outages=IntervalSet.of(outages),
    )


def coverage_of(station, timing_error=NONE, start=EPOCH, end=EPOCH + DAY):
    contacts = predict([TRACK], [station], start, end)
    seen = seen_from(TRACK, [station], contacts, timing_error, EPOCH)
    found = services(TRACK, [station], seen, timing_error, EPOCH, start, end)
    return contacts, found


def test_a_service_without_terms_covers_the_contacts_themselves():
    contacts, found = coverage_of(house(telemetry=ServiceTerms()))
    assert found["telemetry"]["house"].nominal == contacts.intervals()
    assert found["telemetry"]["house"].certain == contacts.intervals()
    assert found["telemetry"]["house"].possible == contacts.intervals()


def test_acquisition_and_guard_are_taken_off_the_ends():
    contacts, found = coverage_of(house(command=ServiceTerms(0.0, 20.0, 15.0)))
    window = found["command"]["house"].nominal
    assert window.starts == pytest.approx(contacts.aos + 20.0, abs=1e-6)
    assert window.ends == pytest.approx(contacts.los - 15.0, abs=1e-6)


def test_a_command_window_lies_above_the_command_elevation_and_after_acquisition():
    """AOS counts from the contact: a late climb above ten degrees needs no second acquisition."""
    station = house(command=ServiceTerms(10.0, 20.0, 15.0))
    contacts, found = coverage_of(station)
    high = crossings(TRACK, station, 10.0, EPOCH, EPOCH + DAY)
    expected = contacts.intervals().shrink(20.0, 15.0) & high
    window = found["command"]["house"].nominal
    assert len(window) < len(contacts)
    assert window.starts == pytest.approx(expected.starts, abs=1e-4)
    assert window.ends == pytest.approx(expected.ends, abs=1e-4)


def test_an_outage_is_no_window():
    contacts, _ = coverage_of(house(command=ServiceTerms()))
    middle = 0.5 * (contacts.aos[2] + contacts.los[2])
    outage = (middle - 10.0, middle + 10.0)
    _, found = coverage_of(house([outage], command=ServiceTerms()))
    window = found["command"]["house"]
    for kind in (window.nominal, window.certain, window.possible):
        assert not kind.meets(*outage)
    assert len(window.nominal) == len(contacts) + 1


def test_what_is_certain_and_possible_is_that_of_the_whole_contact_less_acquisition_and_guard():
    error = OrbitError(at_epoch_s=2.0, per_day_s=30.0)
    contacts, found = coverage_of(house(command=ServiceTerms(0.0, 20.0, 15.0)), error)
    horizon = horizon_of(house())
    (whole,) = bounded(TRACK, [horizon], error, EPOCH, EPOCH, EPOCH + DAY)
    window = found["command"]["house"]
    assert window.certain == whole.certain.shrink(20.0, 15.0)
    assert window.possible == whole.possible.shrink(20.0, 15.0)
    # The bound grows with age, and the contact's ends with it.
    assert contacts.los[-1] - whole.certain.ends[-1] > contacts.los[0] - whole.certain.ends[0] + 10


@given(
    st.floats(0.0, 20.0),
    st.floats(0.0, 120.0),
    st.floats(0.0, 120.0),
    st.floats(0.0, 60.0),
    st.floats(0.0, 1.0),
)
def test_certain_lies_within_nominal_and_nominal_within_possible_whatever_the_shift(
    elevation, acquisition, guard, error, share
):
    station = house(command=ServiceTerms(elevation, acquisition, guard))
    _, found = coverage_of(station, OrbitError(at_epoch_s=error))
    window = found["command"]["house"]
    ahead = (2.0 * share - 1.0) * error
    track = OffsetTrack(TRACK, ahead)
    moved = predict([track], [station], EPOCH - 600.0, EPOCH + DAY + 600.0)
    seen = seen_from(track, [station], moved, EXACT, EPOCH)
    shifted = services(track, [station], seen, EXACT, EPOCH, EPOCH, EPOCH + DAY)["command"][
        "house"
    ].nominal
    inside = IntervalSet([EPOCH + 120.0], [EPOCH + DAY - 120.0])
    assert not ((window.certain & inside) - shifted.grow(2e-3, 2e-3))
    assert not ((shifted & inside).shrink(2e-3, 2e-3) - window.possible)


def test_a_contact_cut_by_the_span_loses_nothing_at_the_cut():
    open_sky, _ = coverage_of(house(command=ServiceTerms()))
    first = open_sky[1]
    start = first.tca
    station = house(command=ServiceTerms(0.0, 20.0, 15.0))
    _, found = coverage_of(station, OrbitError(at_epoch_s=5.0), start, start + DAY / 2)
    for kind in (found["command"]["house"].nominal, found["command"]["house"].certain):
        assert kind.starts[0] == start
    assert found["command"]["house"].nominal.ends[0] == pytest.approx(first.los - 15.0, abs=1e-4)
    assert found["command"]["house"].possible.starts[0] == start


def test_a_window_too_short_for_acquisition_and_guard_vanishes():
    contacts, found = coverage_of(house(command=ServiceTerms(0.0, 2000.0, 0.0)))
    assert len(contacts) > 0
    assert not found["command"]["house"].nominal


def test_every_station_that_offers_a_service_is_named_and_their_union_is_any_station():
    near = Station("near", 47.3, 8.5, services={"command": ServiceTerms()})
    far = Station(
        "far", -30.0, 120.0, services={"command": ServiceTerms(), "ranging": ServiceTerms()}
    )
    contacts = predict([TRACK], [near, far], EPOCH, EPOCH + DAY)
    seen = seen_from(TRACK, [near, far], contacts, NONE, EPOCH)
    found = services(TRACK, [near, far], seen, NONE, EPOCH, EPOCH, EPOCH + DAY)
    assert set(found) == {"command", "ranging"}
    assert set(found["command"]) == {"near", "far"}
    assert set(found["ranging"]) == {"far"}
    assert any_station(found["command"]).nominal == contacts.intervals()


def test_coverage_is_cut_at_the_instants_asked_for():
    station = house(telemetry=ServiceTerms())
    contacts = predict([TRACK], [station], EPOCH, EPOCH + DAY)
    start, end = float(contacts.tca[1]), float(contacts.tca[4])
    seen = seen_from(TRACK, [station], contacts, NONE, EPOCH)
    found = services(TRACK, [station], seen, NONE, EPOCH, start, end)
    nominal = found["telemetry"]["house"].nominal
    assert nominal == contacts.intervals().clip(start, end)


def test_the_compiled_path_gives_the_same_windows():
    pytest.importorskip("numba")
    masked = replace(
        house(command=ServiceTerms(12.0, 20.0), ranging=ServiceTerms(25.0)),
        name="valley",
        mask=((0.0, 2.0), (90.0, 15.0), (180.0, 4.0)),
    )
    stations = [house(command=ServiceTerms(10.0, 20.0, 15.0), telemetry=ServiceTerms()), masked]
    contacts = predict([TRACK], stations, EPOCH, EPOCH + DAY)
    error = OrbitError(0.5, 2.0)
    span = EPOCH + 3600.0, EPOCH + DAY
    plain, compiled = (
        services(
            TRACK,
            stations,
            seen_from(TRACK, stations, contacts, error, EPOCH, compiled=whether),
            error,
            EPOCH,
            *span,
        )
        for whether in (False, True)
    )
    assert plain.keys() == compiled.keys() == {"command", "telemetry", "ranging"}
    for service, of_stations in plain.items():
        assert of_stations.keys() == compiled[service].keys()
        for station, coverage in of_stations.items():
            for kind in ("nominal", "certain", "possible"):
                one = getattr(coverage, kind)
                other = getattr(compiled[service][station], kind)
                assert other.starts == pytest.approx(one.starts, abs=1e-4)
                assert other.ends == pytest.approx(one.ends, abs=1e-4)
    assert any(coverage.nominal for coverage in plain["ranging"].values())
