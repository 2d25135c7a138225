"""The table of contacts."""

import numpy as np
from orbits import EPOCH, invented

from contactd.core.contacts.contact import Contact
from contactd.core.contacts.prediction import predict
from contactd.core.contacts.table import (
    ContactTable,
    ahead_of,
    first_from,
    joined,
    meeting,
    under_way_and_next,
)
from contactd.core.ground.station import Station
from contactd.core.orbit.sgp4_track import Sgp4Track

DAY = 86_400.0
STATIONS = [Station("east", 10.0, 100.0), Station("west", 60.0, -100.0)]
TRACKS = [
    Sgp4Track(invented(raan_deg=raan, mean_anomaly_deg=raan / 3.0), f"Craft {raan}")
    for raan in (0, 120, 240)
]


def table():
    return predict(TRACKS, STATIONS, EPOCH, EPOCH + DAY)


def test_rows_come_in_the_order_of_aos():
    assert (np.diff(table().aos) >= 0.0).all()


def test_iterating_gives_contacts_with_their_names():
    everything = table()
    contacts = list(everything)
    assert len(contacts) == len(everything) > 20
    assert all(isinstance(contact, Contact) for contact in contacts)
    assert {contact.station for contact in contacts} == {"east", "west"}
    assert {contact.target for contact in contacts} == {"Craft 0", "Craft 120", "Craft 240"}


def test_a_target_and_a_station_can_be_picked_out():
    everything = table()
    parts = [everything.of(track.name, station.name) for track in TRACKS for station in STATIONS]
    assert sum(len(part) for part in parts) == len(everything)
    assert all(contact.station == "west" for contact in everything.of(station="west"))
    assert len(everything.of("nobody")) == 0


def test_targets_predicted_one_by_one_and_joined_are_the_same_table():
    together = table()
    apart = joined(
        [predict([track], STATIONS, EPOCH, EPOCH + DAY) for track in reversed(TRACKS)],
        EPOCH,
        EPOCH + DAY,
    )
    assert list(apart) == list(together)


def test_no_tables_join_to_an_empty_one():
    empty = joined([], EPOCH, EPOCH + DAY)
    assert isinstance(empty, ContactTable)
    assert (len(empty), empty.targets, list(empty)) == (0, (), [])


def test_a_table_is_a_sequence_of_contacts_like_any_other():
    everything = table()
    contacts = tuple(everything)
    assert everything == contacts
    assert everything != contacts[1:]
    assert everything[-1] == contacts[-1]
    assert everything[3:7] == contacts[3:7]
    assert list(reversed(everything)) == list(reversed(contacts))
    assert contacts[5] in everything
    assert ContactTable(EPOCH, EPOCH) == ()


def test_what_is_ahead_of_an_instant_is_under_way_or_comes():
    everything = table()
    contacts = list(everything)
    for instant in (EPOCH, contacts[10].tca, contacts[10].los, EPOCH + DAY):
        ahead = [each for each in contacts if each.los > instant]
        assert list(ahead_of(everything, instant)) == ahead == ahead_of(contacts, instant)
        under_way = sum(each.aos <= instant for each in ahead)
        following = min((each.aos for each in ahead if each.aos > instant), default=None)
        assert under_way_and_next(everything, instant) == (under_way, following)
        assert under_way_and_next(contacts, instant) == (under_way, following)


def test_a_table_is_searched_as_a_list_of_its_contacts_is():
    everything = table()
    plain = list(everything)
    moments = [EPOCH - 1.0, EPOCH + DAY, *(m for each in plain[:20] for m in (each.aos, each.los))]
    for moment in moments:
        assert first_from(everything, moment) == first_from(plain, moment)
        for station in ("east", "west", "nowhere"):
            for end in (moment, moment + 1.0, moment + 5000.0):
                found = meeting(everything, station, moment, end)
                assert found == meeting(plain, station, moment, end)
                assert found is None or (found.aos < end and moment < found.los)
    assert any(meeting(everything, "east", each.aos, each.los) == each for each in plain)
