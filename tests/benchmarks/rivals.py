"""Other libraries at the same work, each the way its own documentation goes about it.

Every rival is prepared outside the clock (its satellites, stations and times as objects) and then
called once a run. Each gives the contacts that it found as (satellite, station, AOS, LOS), with
instants in this project's seconds.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from sgp4.api import WGS72, Satrec
from workloads import Workload

from contactd.core.contacts.fleet import InThisProcess, predict_fleet
from contactd.core.contacts.prediction import predict
from contactd.core.contacts.table import ContactTable
from contactd.core.instants import from_utc, tai_minus_utc_s, to_utc
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.tle import format_tle

Found = list[tuple[str, str, float, float]]


@dataclass(frozen=True)
class Rival:
    """A library at work.

    Attributes:
        run: does the work once; ``found`` turns what it returned into contacts.
        threads: how many the library uses.
    """

    name: str
    run: Callable[[], object]
    found: Callable[[object], Found]
    threads: int = 1


def satrec_of(elements: ElementSet) -> Satrec:
    """The sgp4 package's satellite of an element set."""
    utc_s = elements.epoch - float(tai_minus_utc_s(elements.epoch))
    satellite = Satrec()
    satellite.sgp4init(
        WGS72,
        "i",
        elements.catalogue_number,
        utc_s / 86_400.0 + 18_263.5,
        elements.bstar_per_earth_radius,
        0.0,
        0.0,
        elements.eccentricity,
        math.radians(elements.argument_of_perigee_deg),
        math.radians(elements.inclination_deg),
        math.radians(elements.mean_anomaly_deg),
        elements.mean_motion_rev_per_day * 2.0 * math.pi / 1440.0,
        math.radians(elements.raan_deg),
    )
    return satellite


def _from_table(table: object) -> Found:
    assert isinstance(table, ContactTable)
    return [(each.target, each.station, each.aos, each.los) for each in table]


def ours(work: Workload, threads: int = 1) -> Rival:
    """This project's compiled path."""
    tracks = [Sgp4Track(elements) for elements in work.elements]

    def run() -> ContactTable:
        executor = InThisProcess(threads)
        return predict_fleet(tracks, work.stations, work.start, work.end, executor, compiled=True)

    return Rival(f"contactd, compiled, {threads} thread(s)", run, _from_table, threads)


def ours_plain(work: Workload) -> Rival:
    """This project's plain path."""
    tracks = [Sgp4Track(elements) for elements in work.elements]
    return Rival(
        "contactd, plain",
        lambda: predict(tracks, work.stations, work.start, work.end),
        _from_table,
    )


def skyfield(work: Workload) -> Rival:
    """skyfield's ``find_events``, one satellite and station after the other."""
    from skyfield.api import EarthSatellite, load, wgs84

    scale = load.timescale(builtin=True)
    satellites = [
        (elements.name, EarthSatellite.from_satrec(satrec_of(elements), scale))
        for elements in work.elements
    ]
    places = [
        (station, wgs84.latlon(station.latitude_deg, station.longitude_deg, station.altitude_m))
        for station in work.stations
    ]
    t0, t1 = (scale.from_datetime(to_utc(at)) for at in (work.start, work.end))

    def run() -> object:
        return [
            (
                name,
                station.name,
                *satellite.find_events(place, t0, t1, altitude_degrees=station.least_elevation_deg),
            )
            for name, satellite in satellites
            for station, place in places
        ]

    def found(result: object) -> Found:
        contacts: Found = []
        for name, station, times, events in result:  # type: ignore[attr-defined]
            instants = (times.tai - 2_451_545.0) * 86_400.0 if len(events) else []
            rise = work.start
            for instant, event in zip(instants, events, strict=True):
                if event == 0:
                    rise = float(instant)
                elif event == 2:
                    contacts.append((name, station, rise, float(instant)))
        return contacts

    return Rival("skyfield, find_events", run, found)


def brahe(work: Workload, adaptive: bool = True, threads: int = 1) -> Rival:
    """brahe's ``location_accesses``."""
    import brahe as library

    library.set_global_eop_provider_from_static_provider(library.StaticEOPProvider.from_zero())
    propagators = [
        library.SGPPropagator.from_tle(*format_tle(elements), 60.0).with_name(elements.name)
        for elements in work.elements
    ]
    places = [
        library.PointLocation(
            station.longitude_deg, station.latitude_deg, station.altitude_m
        ).with_name(station.name)
        for station in work.stations
    ]
    start, end = _brahe_epoch(library, work.start), _brahe_epoch(library, work.end)
    constraint = library.ElevationConstraint(min_elevation_deg=5.0)
    settings = library.AccessSearchConfig(
        initial_time_step=60.0,
        adaptive_step=adaptive,
        parallel=threads > 1,
        num_threads=threads,
        time_tolerance=0.01,
    )

    def run() -> object:
        return library.location_accesses(
            places, propagators, start, end, constraint, config=settings
        )

    def found(result: object) -> Found:
        return [
            (
                window.satellite_name,
                window.location_name,
                work.start + (window.window_open - start),
                work.start + (window.window_close - start),
            )
            for window in result  # type: ignore[attr-defined]
        ]

    kind = "adaptive" if adaptive else "fixed 60 s"
    return Rival(f"brahe, {kind}, {threads} thread(s)", run, found, threads)


def _brahe_epoch(library: object, instant: float) -> object:
    moment = to_utc(instant)
    return library.Epoch.from_datetime(  # type: ignore[attr-defined]
        moment.year, moment.month, moment.day, moment.hour, moment.minute,
        moment.second + moment.microsecond / 1e6, 0.0, library.TimeSystem.UTC,  # type: ignore[attr-defined]
    )  # fmt: skip


def lox(work: Workload) -> Rival:
    """lox-space's ``VisibilityAnalysis`` (it spreads over all processors by itself)."""
    import lox_space as library
    import skyfield.tests

    # It asks for planets' positions, though a ground station's view needs none: any file will do.
    planets = library.SPK(
        str(Path(skyfield.tests.__file__).parent / "data" / "de430-2015-03-02.bsp")
    )
    craft = [
        library.Spacecraft(
            elements.name, library.SGP4("\n".join([elements.name, *format_tle(elements)]))
        )
        for elements in work.elements
    ]
    places = [
        library.GroundStation(
            station.name,
            library.EllipsoidLocation(
                "IAU_EARTH",  # its quickest Earth frame; "ITRF" takes ten times as long
                longitude=station.longitude_deg * library.deg,
                latitude=station.latitude_deg * library.deg,
                altitude=station.altitude_m * library.m,
            ),
            min_elevation=station.least_elevation_deg * library.deg,
        )
        for station in work.stations
    ]
    start = library.UTC.from_iso(to_utc(work.start).strftime("%Y-%m-%dT%H:%M:%S")).to_scale("TAI")
    end = start + library.TimeDelta(work.end - work.start)

    def run() -> object:
        scenario = library.Scenario(start, end, spacecraft=craft, ground_stations=places)
        return library.VisibilityAnalysis(scenario).compute(planets).all_intervals()

    def found(result: object) -> Found:
        contacts: Found = []
        for (ground, space), windows in result.items():  # type: ignore[attr-defined]
            for window in windows:
                aos = work.start + float((window.start() - start).to_decimal_seconds())
                los = work.start + float((window.end() - start).to_decimal_seconds())
                contacts.append((space, ground, aos, los))
        return contacts

    return Rival("lox-space", run, found, 0)


def instant_of(moment: datetime) -> float:
    """Instant of a naive UTC datetime."""
    return from_utc(moment.replace(tzinfo=UTC))


def edges(found: Found) -> np.ndarray:
    """All instants found, sorted."""
    return np.sort(np.array([edge for contact in found for edge in contact[2:]]))
