"""Radio links: what arrives of a signal, and when that is enough.

Margin = power − line loss + antenna gains − losses − noise − rate − what the receiver needs, in
decibels. A contact's usable part is where the margin is at least the required one.

Sources: free-space loss as in ITU-R P.525; the budget's terms as in CCSDS 401.0-B and handbooks
(Maral and Bousquet, *Satellite Communications Systems*, chapter 5); Boltzmann's constant is exact
(SI). Attenuation by air and rain: :mod:`.atmosphere`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from contactd.core.ground.atmosphere import Atmosphere, attenuation_db
from contactd.core.ground.doppler import SPEED_OF_LIGHT_KM_S
from contactd.core.ground.sight import Sight, nadir_angle_deg, sight
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.crossings import positive_intervals
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

BOLTZMANN_DBW_K_HZ: Final = -228.59916717
"""10 log10 of 1.380649e-23 J/K."""
DEFAULT_REQUIRED_MARGIN_DB: Final = 3.0
"""Common practice, no source."""

_SAMPLES_A_RADIAN: Final = 60.0
_LONGEST_STEP_S: Final = 60.0


class Direction(StrEnum):
    """Which way a link goes."""

    DOWN = "down"
    UP = "up"


class Attitude(StrEnum):
    """What the satellite's antenna points at."""

    NADIR = "nadir"  # the boresight points at the Earth's centre
    STATION = "station"  # the boresight follows the station
    TUMBLING = "tumbling"  # any side may face the station: the pattern's worst gain counts


@dataclass(frozen=True, slots=True)
class AntennaPattern:
    """Gain of an antenna by the angle from its boresight.

    Attributes:
        points: (aspect_deg, gain_dbi) of ascending angle from 0 to 180, joined by straight lines;
            beyond the ends the end's gain holds. One point is the same gain all round.

    Raises:
        ValueError: if there is no point, or the angles do not ascend within 0 to 180.
    """

    points: tuple[tuple[float, float], ...] = ((0.0, 0.0),)

    def __post_init__(self) -> None:
        angles = [angle for angle, _ in self.points]
        if not angles or sorted(set(angles)) != angles or angles[0] < 0 or angles[-1] > 180:
            raise ValueError("a pattern needs angles that ascend from 0 to 180 degrees")

    def gain_dbi(self, aspect_deg: ArrayLike) -> FloatArray:
        """Gain (dBi) at angles (deg) from the boresight, same shape."""
        angles, gains = zip(*self.points, strict=True)
        return np.asarray(np.interp(np.asarray(aspect_deg), angles, gains), dtype=np.float64)

    @property
    def worst_dbi(self) -> float:
        """The least gain (dBi) in any direction."""
        return min(gain for _, gain in self.points)


@dataclass(frozen=True, slots=True)
class Link:
    """One radio link between a target and the stations, in one direction.

    Attributes:
        name: such as ``telemetry``; a service of that name uses it.
        frequency_hz: nominal, of the carrier.
        power_dbw: of the transmitter (aboard for a downlink, on the ground for an uplink).
        line_loss_db: between transmitter and antenna.
        pattern: of the satellite's antenna.
        attitude: what that antenna points at.
        station_gain_dbi: of the ground antenna, held on the target.
        noise_temperature_k: of the receiving system.
        bit_rate_bps: of the data.
        required_eb_n0_db: what the receiver needs, with its losses.
        other_losses_db: polarisation, pointing, whatever does not depend on geometry.
        required_margin_db: the link counts as usable from this margin on.
        turnaround: ratio of down to up frequency, if the satellite turns the carrier round
            coherently; then two-way Doppler is given too.
        atmosphere: for attenuation by air and rain, or None to leave it out.
    """

    name: str
    direction: Direction
    frequency_hz: float
    power_dbw: float = 0.0
    line_loss_db: float = 0.0
    pattern: AntennaPattern = field(default_factory=AntennaPattern)
    attitude: Attitude = Attitude.NADIR
    station_gain_dbi: float = 0.0
    noise_temperature_k: float = 290.0
    bit_rate_bps: float = 1_000.0
    required_eb_n0_db: float = 9.6
    other_losses_db: float = 0.0
    required_margin_db: float = DEFAULT_REQUIRED_MARGIN_DB
    turnaround: float | None = None
    atmosphere: Atmosphere | None = None

    def __post_init__(self) -> None:
        for name in ("frequency_hz", "noise_temperature_k", "bit_rate_bps"):
            if getattr(self, name) <= 0:
                raise ValueError(f"{name} is {getattr(self, name)}; more than 0 is expected")


@dataclass(frozen=True, slots=True)
class LinkBudget:
    """What becomes of a signal; each attribute has shape ``[n]``.

    Attributes:
        free_space_loss_db, atmosphere_db: on the way.
        aspect_deg: at the satellite, from the antenna's boresight to the station (NaN tumbling).
        satellite_gain_dbi: in that direction.
        eb_n0_db: energy per bit over noise density, received.
        margin_db: over what the receiver needs.
    """

    free_space_loss_db: FloatArray
    atmosphere_db: FloatArray
    aspect_deg: FloatArray
    satellite_gain_dbi: FloatArray
    eb_n0_db: FloatArray
    margin_db: FloatArray


def free_space_loss_db(range_km: ArrayLike, frequency_hz: float) -> FloatArray:
    """Basic free-space transmission loss (dB) between isotropic antennas, same shape as ranges.

    The exact form 20 log10(4 π d f / c); ITU-R P.525 prints its constant rounded (32.4 with MHz
    and km), which is 0.05 dB lower.
    """
    waves = 4.0 * np.pi * np.asarray(range_km, dtype=np.float64) * frequency_hz
    return np.asarray(20.0 * np.log10(waves / SPEED_OF_LIGHT_KM_S), dtype=np.float64)


def link_budget(link: Link, station: Station, seen: Sight) -> LinkBudget:
    """The budget of a link while a station sees the target as ``seen``."""
    loss = free_space_loss_db(seen.range_km, link.frequency_hz)
    air = attenuation_db(link.atmosphere, station, link.frequency_hz, seen.elevation_deg)
    aspect = _aspect_deg(link, station, seen)
    gain = (
        np.full(loss.shape, link.pattern.worst_dbi)
        if link.attitude is Attitude.TUMBLING
        else link.pattern.gain_dbi(aspect)
    )
    received = (
        link.power_dbw
        - link.line_loss_db
        + gain
        + link.station_gain_dbi
        - loss
        - air
        - link.other_losses_db
    )
    noise = BOLTZMANN_DBW_K_HZ + 10.0 * np.log10(link.noise_temperature_k)
    eb_n0 = received - noise - 10.0 * np.log10(link.bit_rate_bps)
    return LinkBudget(loss, air, aspect, gain, eb_n0, eb_n0 - link.required_eb_n0_db)


def usable_intervals(track: Track, station: Station, link: Link, spans: IntervalSet) -> IntervalSet:
    """When, within some spans, a link has its required margin and the target is above the horizon.

    Args:
        spans: such as contacts, from AOS to LOS.
    """

    def quantity(at: FloatArray) -> FloatArray:
        seen = sight(track, station, at)
        surplus = link_budget(link, station, seen).margin_db - link.required_margin_db
        return np.where(seen.elevation_deg > 0.0, surplus, np.minimum(surplus, -1.0))

    step_s = min(1.0 / (_SAMPLES_A_RADIAN * track.fastest_rate_rad_s), _LONGEST_STEP_S)
    return positive_intervals(quantity, spans & track.validity, step_s)


def _aspect_deg(link: Link, station: Station, seen: Sight) -> FloatArray:
    if link.attitude is Attitude.NADIR:
        return nadir_angle_deg(station, seen)
    return np.full(seen.range_km.shape, 0.0 if link.attitude is Attitude.STATION else np.nan)
