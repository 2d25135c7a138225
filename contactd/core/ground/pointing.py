"""Pointing tables: where an antenna looks and what its receiver tunes to, at any rate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.contact import Contact
from contactd.core.ground.doppler import (
    light_time_s,
    received_shift_hz,
    two_way_shift_hz,
    uplink_correction_hz,
)
from contactd.core.ground.links import Direction, Link, link_budget
from contactd.core.ground.sight import sight, sun_separation_deg
from contactd.core.ground.station import Station
from contactd.core.orbit.eclipse import sunlit_fraction
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

MAX_ROWS: Final = 1_000_000
"""Most rows of one table: a day at twelve a second."""


@dataclass(frozen=True, slots=True)
class LinkColumns:
    """One link's columns of a pointing table, each ``[n]``.

    Attributes:
        doppler_hz: how much higher than sent the signal arrives, if nothing is corrected: on the
            ground for a downlink, aboard for an uplink.
        tune_hz: what the station tunes to: the frequency at which a downlink arrives, or at which
            to send so that an uplink arrives aboard at its nominal frequency.
        two_way_hz: shift of a coherently turned carrier, or None where the link has no turnaround.
        margin_db: of the link's budget.
    """

    doppler_hz: FloatArray
    tune_hz: FloatArray
    two_way_hz: FloatArray | None
    margin_db: FloatArray


@dataclass(frozen=True, slots=True)
class PointingTable:
    """One contact as rows of equal distance in time; each attribute has shape ``[n]``.

    Attributes:
        instants: (s).
        azimuth_deg, elevation_deg: where to point; the elevation is as seen (with refraction) if
            the station asks for refraction.
        azimuth_rate_deg_s, elevation_rate_deg_s: of the geometric direction.
        range_km, range_rate_km_s: slant range and its rate, positive when receding.
        light_time_s: one way.
        sun_separation_deg: between the boresight and the Sun's centre.
        sunlit: visible part of the Sun's disc at the target, 0 (umbra) to 1.
        links: by name.
    """

    target: str
    station: str
    instants: FloatArray
    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    azimuth_rate_deg_s: FloatArray
    elevation_rate_deg_s: FloatArray
    range_km: FloatArray
    range_rate_km_s: FloatArray
    light_time_s: FloatArray
    sun_separation_deg: FloatArray
    sunlit: FloatArray
    links: Mapping[str, LinkColumns] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.instants)


def pointing_table(
    track: Track,
    station: Station,
    contact: Contact | tuple[float, float],
    step_s: float = 1.0,
    links: Sequence[Link] = (),
) -> PointingTable:
    """Where to point during a contact.

    Rows stand at AOS, every ``step_s`` after it, and at LOS (a little before, where a track's
    states end there).

    Args:
        contact: a contact of this track with this station, or (from, until) instants (s).
        step_s: more than 0.

    Raises:
        ValueError: if the step is not above 0, or the table would have more than ``MAX_ROWS`` rows.
    """
    start, end = (contact.aos, contact.los) if isinstance(contact, Contact) else contact
    if not step_s > 0:
        raise ValueError(f"step_s is {step_s}; more than 0 is expected")
    if (end - start) / step_s > MAX_ROWS - 2:
        raise ValueError(f"more than {MAX_ROWS} rows: choose a longer step")
    whole = start + step_s * np.arange(int(np.floor((end - start) / step_s + 1e-9)) + 1)
    at: FloatArray = np.asarray(whole, dtype=np.float64)
    if end - at[-1] > 1e-6:
        at = np.append(at, end)
    at = at[~np.isnan(track.states(at)[0]).any(axis=1)]
    seen = sight(track, station, at)
    return PointingTable(
        track.name,
        station.name,
        at,
        seen.azimuth_deg,
        seen.pointing_elevation_deg,
        seen.azimuth_rate_deg_s,
        seen.elevation_rate_deg_s,
        seen.range_km,
        seen.range_rate_km_s,
        light_time_s(seen.range_km),
        sun_separation_deg(station, seen, at),
        sunlit_fraction(at, track.states(at)[0]),
        {
            link.name: _columns(
                link, seen.range_rate_km_s, link_budget(link, station, seen).margin_db
            )
            for link in links
        },
    )


def _columns(link: Link, range_rate_km_s: FloatArray, margin_db: FloatArray) -> LinkColumns:
    shift = received_shift_hz(link.frequency_hz, range_rate_km_s)
    two_way = None
    if link.turnaround is not None:
        up_hz = link.frequency_hz
        if link.direction is Direction.DOWN:
            up_hz = link.frequency_hz / link.turnaround
        two_way = two_way_shift_hz(up_hz, range_rate_km_s, link.turnaround)
    tune = link.frequency_hz + (
        shift
        if link.direction is Direction.DOWN
        else uplink_correction_hz(link.frequency_hz, range_rate_km_s)
    )
    return LinkColumns(shift, tune, two_way, margin_db)
