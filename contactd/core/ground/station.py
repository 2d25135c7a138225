"""A ground station: where it stands, what it can see, what it can do, when it is out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from contactd.core.intervals import EMPTY, IntervalSet


@dataclass(frozen=True, slots=True)
class ServiceTerms:
    """What one service of a station asks of a contact.

    Attributes:
        least_elevation_deg: the service works at or above this geometric elevation.
        acquisition_s: from AOS until the service is really usable.
        guard_s: the service is not counted on in the last seconds before LOS.
    """

    least_elevation_deg: float = 0.0
    acquisition_s: float = 0.0
    guard_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Station:
    """A ground antenna.

    Attributes:
        latitude_deg, longitude_deg: geodetic, WGS 84, north and east positive.
        altitude_m: height above the WGS 84 ellipsoid.
        least_elevation_deg: nothing below this counts as in view.
        mask: the horizon as (azimuth_deg, elevation_deg) points of ascending azimuth, joined by
            straight lines and closed across north; empty for a flat horizon.
        services: terms by service name (``telemetry``, ``command``, ``ranging``).
        outages: when the station cannot be used at all.
        refraction: whether elevation includes standard refraction.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float = 0.0
    least_elevation_deg: float = 0.0
    mask: tuple[tuple[float, float], ...] = ()
    services: Mapping[str, ServiceTerms] = field(default_factory=dict)
    outages: IntervalSet = EMPTY
    refraction: bool = False
