"""Metrics: what is told of few targets and stations, and of many."""

from prometheus_client import CollectorRegistry, generate_latest

from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.prediction import predict
from contactd.core.ground.station import Station
from contactd.core.instants import from_text, to_unix
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.service.metrics import MOST_PAIRS, SnapshotCollector

START = from_text("2026-03-01T00:00:00Z")
NOW = START + 43_200.0
CRAFT = ElementSet(
    name="Invented",
    catalogue_number=90_001,
    international_designator="",
    epoch=START,
    mean_motion_rev_per_day=14.9,
    eccentricity=0.001,
    inclination_deg=66.0,
    raan_deg=10.0,
    argument_of_perigee_deg=20.0,
    mean_anomaly_deg=30.0,
    bstar_per_earth_radius=0.0,
)


def scraped(stations: int) -> dict[str, float]:
    places = {
        f"station {n}": Station(f"station {n}", 40.0, float(n % 360)) for n in range(stations)
    }
    contacts = predict([Sgp4Track(CRAFT)], list(places.values())[:3], START, START + 86_400.0)
    command = {"station 0": Coverage(nominal=IntervalSet([NOW - 10.0], [NOW + 50.0]))}
    outlook = TargetOutlook(
        "Invented", (START, START + 86_400.0), contacts=contacts, services={"command": command}
    )
    snapshot = Snapshot(at=NOW, targets={"Invented": outlook}, stations=places)
    registry = CollectorRegistry()
    registry.register(SnapshotCollector(lambda: snapshot, lambda: NOW))
    lines = generate_latest(registry).decode().splitlines()
    return {
        name: float(value)
        for name, value in (line.rsplit(" ", 1) for line in lines if not line.startswith("#"))
    } | {"first": min(each.aos for each in contacts if each.aos > NOW)}


def test_the_next_contact_of_a_target_is_the_first_of_any_station():
    told = scraped(3)
    per_station = [
        told[f'contactd_next_aos_timestamp_seconds{{station="station {n}",target="Invented"}}']
        for n in range(3)
    ]
    assert told['contactd_target_next_aos_timestamp_seconds{target="Invented"}'] == min(per_station)
    assert min(per_station) == to_unix(told["first"])
    window = 'contactd_command_window_close_timestamp_seconds{target="Invented"}'
    assert told[window] == to_unix(NOW + 50.0)
    assert told['contactd_command_window_open{station="station 0",target="Invented"}'] == 1.0


def test_of_more_pairs_than_a_scrape_can_bear_only_targets_are_told():
    told = scraped(MOST_PAIRS + 1)
    assert not [name for name in told if "station=" in name and "target=" in name]
    assert told['contactd_target_next_aos_timestamp_seconds{target="Invented"}'] == to_unix(
        told["first"]
    )
