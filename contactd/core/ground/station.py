"""A ground station: where it stands, what it can see, what it can do, when it is out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from contactd.core.intervals import EMPTY, IntervalSet


@dataclass(frozen=True, slots=True)
class ServiceTerms:
    """What one service of a station asks of a contact.

    Attributes:
        least_elevation_deg: the service works at or above this geometric elevation.
        acquisition_s: from AOS until the service is really usable.
        guard_s: the service is not counted on in the last seconds before LOS.
        link: name of the target's radio link that the service needs with its required margin; ""
            if no link is looked at.
    """

    least_elevation_deg: float = 0.0
    acquisition_s: float = 0.0
    guard_s: float = 0.0
    link: str = ""


@dataclass(frozen=True, slots=True)
class AntennaLimits:
    """What an elevation-over-azimuth mount can do.

    Attributes:
        highest_elevation_deg: it cannot point above this.
        azimuth_rate_deg_s, elevation_rate_deg_s: greatest rates; None for no limit.
        half_beam_deg: the target is held while the beam is off by no more than this.
    """

    highest_elevation_deg: float = 90.0
    azimuth_rate_deg_s: float | None = None
    elevation_rate_deg_s: float | None = None
    half_beam_deg: float = 0.0

    @property
    def limits_nothing(self) -> bool:
        """Whether the mount follows everything."""
        return (
            self.highest_elevation_deg >= 90.0
            and self.azimuth_rate_deg_s is None
            and self.elevation_rate_deg_s is None
        )


_REFRACTED_DEG: Final = 0.6
_EARTH_RADIUS_M: Final = 6_371_000.0
NO_LIMITS: Final = AntennaLimits()


@dataclass(frozen=True, slots=True)
class StationStatus:
    """What somebody stated of a station.

    Attributes:
        status: ``out`` or ``degraded``.
        start, end: instants (s) between which it holds.
        record: number of the ledger's record.
    """

    status: str
    start: float
    end: float
    why: str = ""
    author: str = ""
    record: int = 0


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
        outages: when the station cannot be used at all, by files or by what people stated.
        outage_reasons: (from, to, why) of each outage whose reason is stated, instants in s; they
            may overlap.
        refraction: whether elevation includes standard refraction.
        antenna: what its mount can follow.
        sun_exclusion_deg: nothing is done nearer than this to the Sun's centre; 0 for no limit.
        setup_s, teardown_s: what the antenna needs before and after it works for one target.
        signal_horizon_deg: the lowest geometric elevation from which a signal can arrive, where it
            was surveyed; not what contacts are planned with.
        degraded: when it may work, but is not counted on.
        stated: what people stated of it, in order of time; see :mod:`contactd.core.ground.status`.
        configured: the station as its file says, where something is stated of it; else None.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    altitude_m: float = 0.0
    least_elevation_deg: float = 0.0
    mask: tuple[tuple[float, float], ...] = ()
    services: Mapping[str, ServiceTerms] = field(default_factory=dict)
    outages: IntervalSet = EMPTY
    outage_reasons: tuple[tuple[float, float, str], ...] = ()
    refraction: bool = False
    antenna: AntennaLimits = NO_LIMITS
    sun_exclusion_deg: float = 0.0
    setup_s: float = 0.0
    teardown_s: float = 0.0
    signal_horizon_deg: float | None = None
    degraded: IntervalSet = EMPTY
    stated: tuple[StationStatus, ...] = ()
    configured: Station | None = None

    @property
    def lowest_signal_deg(self) -> float:
        """The lowest geometric elevation (deg) from which a signal can arrive.

        As surveyed; else 0.6 degrees of refraction below the horizon as it dips for the station's
        height, sqrt(2 h / R).
        """
        if self.signal_horizon_deg is not None:
            return self.signal_horizon_deg
        dip = math.sqrt(2.0 * max(self.altitude_m, 0.0) / _EARTH_RADIUS_M)
        return -(_REFRACTED_DEG + math.degrees(dip))

    @property
    def is_limited(self) -> bool:
        """Whether mount or Sun may take a part of a contact."""
        return not self.antenna.limits_nothing or self.sun_exclusion_deg > 0
