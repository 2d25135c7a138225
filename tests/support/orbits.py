"""Invented satellites, and other libraries' view of them, for tests of orbits and contacts."""

from __future__ import annotations

import math

import numpy as np
from sgp4.api import WGS72, Satrec
from skyfield.api import EarthSatellite, load, wgs84

from contactd.core.contacts.horizon import horizon_of
from contactd.core.instants import from_text, tai_minus_utc_s
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.frames import greenwich_mean_sidereal_angle, teme_to_fixed

EPOCH = from_text("2026-03-01T00:00:00Z")
REVOLUTIONS = 9_000
TIMESCALE = load.timescale(builtin=True)


def invented(
    mean_motion_rev_per_day=14.9,
    eccentricity=0.001,
    inclination_deg=97.5,
    raan_deg=40.0,
    argument_of_perigee_deg=90.0,
    mean_anomaly_deg=10.0,
    bstar_per_earth_radius=2e-5,
    epoch=EPOCH,
    name="Invented",
):
    """An element set of nobody's satellite, which has circled for years."""
    return ElementSet(
        name=name,
        catalogue_number=99999,
        international_designator="",
        epoch=epoch,
        mean_motion_rev_per_day=mean_motion_rev_per_day,
        eccentricity=eccentricity,
        inclination_deg=inclination_deg,
        raan_deg=raan_deg,
        argument_of_perigee_deg=argument_of_perigee_deg,
        mean_anomaly_deg=mean_anomaly_deg,
        bstar_per_earth_radius=bstar_per_earth_radius,
        revolution_number=REVOLUTIONS,
    )


def geostationary(longitude_deg, inclination_deg=0.05, eccentricity=0.0002, epoch=EPOCH):
    """Elements that keep a satellite near an eastern longitude."""
    sidereal_deg = math.degrees(float(greenwich_mean_sidereal_angle(np.array([epoch]))[0][0]))
    return invented(
        mean_motion_rev_per_day=1.00273,
        eccentricity=eccentricity,
        inclination_deg=inclination_deg,
        raan_deg=0.0,
        argument_of_perigee_deg=0.0,
        mean_anomaly_deg=(sidereal_deg + longitude_deg) % 360.0,
        bstar_per_earth_radius=0.0,
        epoch=epoch,
    )


def skyfield_satellite(elements):
    """The same elements as skyfield's satellite, straight from the sgp4 package."""
    utc_s = elements.epoch - float(tai_minus_utc_s(elements.epoch))
    satellite = Satrec()
    satellite.sgp4init(
        WGS72,
        "i",
        0,
        utc_s / 86_400.0 + 18_263.5,  # days from 1949-12-31T00:00 to 2000-01-01T12:00
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
    return EarthSatellite.from_satrec(satellite, TIMESCALE)


def skyfield_time(instants):
    """skyfield's Time of instants (TAI seconds), without losing a microsecond."""
    days = np.floor(np.asarray(instants) / 86_400.0)
    return TIMESCALE.tai_jd(2_451_545.0 + days, np.asarray(instants) / 86_400.0 - days)


def skyfield_elevation_deg(elements, station):
    """skyfield's own topocentric elevation (deg) as a function of instants."""
    place = wgs84.latlon(
        station.latitude_deg, station.longitude_deg, elevation_m=station.altitude_m
    )
    sight = skyfield_satellite(elements) - place
    return lambda instants: sight.at(skyfield_time(instants)).altaz()[0].degrees


def clearance(track, station, instants):
    """How far above the station's horizon a track stands (deg) at every instant."""
    horizon = horizon_of(station)
    away, _ = horizon.local(*teme_to_fixed(instants, *track.states(instants)))
    azimuth_deg = np.degrees(np.arctan2(away[:, 0], away[:, 1])) % 360.0
    elevation_deg = np.degrees(np.arctan2(away[:, 2], np.hypot(away[:, 0], away[:, 1])))
    return elevation_deg - horizon.mask_deg(azimuth_deg)
