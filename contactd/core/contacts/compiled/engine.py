"""The compiled path: from tracks and horizons to columns of contacts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.compiled import deep_space, fleet_kernel, near_earth, segment
from contactd.core.contacts.horizon import Horizon
from contactd.core.contacts.motion import step_of
from contactd.core.instants import DAY_S, EPOCH_JULIAN_DAY, tai_minus_utc_s
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.frames import greenwich_mean_sidereal_angle
from contactd.core.orbit.sgp4_track import Sgp4Track

FloatArray = NDArray[np.float64]
Piece = tuple[FloatArray, NDArray[np.int32], NDArray[np.int32], NDArray[np.int8]]

_TURN = 2.0 * math.pi
_CONTACTS_PER_DAY = 17  # a station sees a low satellite at most once a revolution
_USUAL_PER_DAY = 6
_ROWS_AT_ONCE = 1 << 16
_BESIDE_DEG = 1e-8
_JUMP_RAD = 1e-4  # what changes more than this beside a corner is no slope


@dataclass(frozen=True)
class Columns:
    """Contacts in the order of satellite, station, AOS.

    Attributes:
        values: shape ``[8, n]``: AOS, TCA, LOS (s since the span's start), their azimuths (deg),
            highest geometric elevation (deg), range then (km).
        satellite, station, cuts: shape ``[n]``; cuts is 1 at the start, 2 at the end, 3 at both.
        left_over: numbers of the satellites that the plain path must look at.
    """

    values: FloatArray
    satellite: NDArray[np.int32]
    station: NDArray[np.int32]
    cuts: NDArray[np.int8]
    left_over: tuple[int, ...]


def suits(horizon: Horizon) -> bool:
    """Whether the compiled path knows such a horizon: it knows no refraction over a mask."""
    return horizon.is_flat or not horizon.station.refraction


def find(
    tracks: Sequence[Sgp4Track], horizons: Sequence[Horizon], start: float, end: float
) -> Columns:
    """All contacts of SGP4 tracks with horizons that suit, in ``[start, end)``.

    The interpreter's lock is free most of the time, so that several threads can do this at once.
    """
    satellites, near, deep = _satellites(tracks, start, end)
    stations, mask = _stations(horizons)
    knots, first_knot_s, earth_rate = _earth_angle(start, end)
    room = len(horizons) * (math.ceil((end - start) / DAY_S * _CONTACTS_PER_DAY) + 8) + 1024
    usual = len(horizons) * math.ceil((end - start) / DAY_S * _USUAL_PER_DAY)
    status = np.zeros(len(tracks), dtype=np.int64)
    pieces: list[Piece] = []
    begin = 0
    while begin < len(tracks):
        rows = room + min(_ROWS_AT_ONCE, usual * (len(tracks) - begin))
        out = np.empty((8, rows))
        numbers = np.empty((2, rows), dtype=np.int32)
        cuts = np.empty(rows, dtype=np.int8)
        begin, used = fleet_kernel.predict_satellites(
            satellites, begin, near, deep, end - start, stations, mask, knots, first_knot_s,
            earth_rate, room, out, numbers[0], numbers[1], cuts, 0, status,
        )  # fmt: skip
        pieces.append((out[:, :used], numbers[0, :used], numbers[1, :used], cuts[:used]))
    values, satellite, station, cut = pieces[0] if len(pieces) == 1 else _laid_together(pieces)
    return Columns(values, satellite, station, cut, tuple(np.flatnonzero(status).tolist()))


def _laid_together(pieces: list[Piece]) -> Piece:
    values, satellite, station, cuts = zip(*pieces, strict=True)
    return (
        np.concatenate(values, axis=1),
        np.concatenate(satellite),
        np.concatenate(station),
        np.concatenate(cuts),
    )


def _satellites(
    tracks: Sequence[Sgp4Track], start: float, end: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The kernel's table of satellites, and both theories' coefficients."""
    elements = [track.elements for track in tracks]
    mean = np.array(
        [
            (
                each.mean_motion_rev_per_day,
                each.eccentricity,
                each.inclination_deg,
                each.argument_of_perigee_deg,
                each.mean_anomaly_deg,
                each.bstar_per_earth_radius,
                each.raan_deg,
                each.epoch,
            )
            for each in elements
        ]
    )
    mean[:, 0] /= 1440.0 / _TURN
    mean[:, [2, 3, 4, 6]] = np.radians(mean[:, [2, 3, 4, 6]])
    near = np.zeros((len(tracks), near_earth.COEFFICIENTS))
    motion = np.zeros(len(tracks))
    fleet_kernel.near_coefficients(mean, near, motion)
    is_deep = _TURN / motion >= near_earth.DEEP_SPACE_MINUTES
    deep = np.array([_deep(elements[number]) for number in np.flatnonzero(is_deep)])
    satellites = np.zeros((len(tracks), fleet_kernel.SATELLITE_COLUMNS))
    satellites[:, fleet_kernel.DEEP] = is_deep
    satellites[:, fleet_kernel.ROW] = np.where(
        is_deep, np.cumsum(is_deep) - 1, np.arange(len(tracks))
    )
    satellites[:, fleet_kernel.OFFSET_MINUTES] = (start - mean[:, 7]) / 60.0
    fastest = np.array([track.fastest_rate_rad_s for track in tracks])
    steps = [step_of(rate, start, end) for rate in fastest.tolist()]
    satellites[:, fleet_kernel.STEP] = [step for step, _ in steps]
    satellites[:, fleet_kernel.NODES] = [segments + 1 for _, segments in steps]
    satellites[:, fleet_kernel.FASTEST] = fastest
    satellites[:, fleet_kernel.ANOMALY] = mean[:, 4]
    satellites[:, fleet_kernel.MEAN_RATE] = near[:, 1] / 60.0
    return satellites, near, deep.reshape(-1, deep_space.COEFFICIENTS)


@lru_cache(maxsize=8192)
def _deep(elements: ElementSet) -> FloatArray:
    """Deep-space coefficients, worked out by the sgp4 package's own initialisation."""
    from sgp4.model import WGS72, Satrec

    utc_s = elements.epoch - float(tai_minus_utc_s(elements.epoch))
    satellite = Satrec()
    satellite.sgp4init(
        WGS72,
        "i",
        0,
        utc_s / DAY_S + (EPOCH_JULIAN_DAY - 2_433_281.5),
        elements.bstar_per_earth_radius,
        0.0,
        0.0,
        elements.eccentricity,
        math.radians(elements.argument_of_perigee_deg),
        math.radians(elements.inclination_deg),
        math.radians(elements.mean_anomaly_deg),
        elements.mean_motion_rev_per_day / (1440.0 / _TURN),
        math.radians(elements.raan_deg),
    )
    return deep_space.coefficients(satellite)


def _stations(horizons: Sequence[Horizon]) -> tuple[FloatArray, FloatArray]:
    """The kernel's table of stations, and the masks one after the other."""
    table = np.zeros((len(horizons), segment.STATION_COLUMNS))
    masks: list[tuple[float, float]] = []
    for row, horizon in zip(table, horizons, strict=True):
        row[segment.FX : segment.FZ + 1] = horizon.foot_km
        row[segment.UX : segment.UZ + 1] = horizon.axes[2]
        row[segment.EX : segment.EY + 1] = horizon.axes[0, :2]
        row[segment.NX : segment.NZ + 1] = horizon.axes[1]
        row[segment.SINE] = math.sin(math.radians(horizon.flat_deg))
        row[segment.MASKED] = -1.0 if horizon.is_flat else len(masks)
        if not horizon.is_flat:
            masks.extend(_mask_rows(horizon))
    return table, np.array(masks, dtype=np.float64).reshape(-1, 2)


def _mask_rows(horizon: Horizon) -> list[tuple[float, float]]:
    """Corners (azimuth, elevation in rad) from before −π to after π; a jump has two rows."""
    azimuths = np.sort((horizon.corners_deg + 180.0) % 360.0 - 180.0)
    left = np.radians(horizon.mask_deg((azimuths - _BESIDE_DEG) % 360.0))
    right = np.radians(horizon.mask_deg((azimuths + _BESIDE_DEG) % 360.0))
    here = np.radians(horizon.mask_deg(azimuths % 360.0))
    jumps = np.maximum(np.abs(left - here), np.abs(right - here)) > _JUMP_RAD
    left, right = np.where(jumps, left, here), np.where(jumps, right, here)
    corners = np.radians(azimuths)
    rows = [(corners[-1] - _TURN, right[-1])]
    for corner, before, after, jump in zip(corners, left, right, jumps, strict=True):
        rows.append((corner, before))
        if jump:
            rows.append((corner, after))
    rows.append((corners[0] + _TURN, left[0]))
    rows.append((2.0 * _TURN, left[0]))
    return rows


def _earth_angle(start: float, end: float) -> tuple[FloatArray, float, float]:
    """Greenwich angle and rate at midnights (UT1 bends there), the first one's time, the rate."""
    offset_s = float(tai_minus_utc_s(start)) - DAY_S / 2.0
    first = math.floor((start - offset_s) / DAY_S) * DAY_S + offset_s
    count = math.ceil((end - first) / DAY_S) + 1
    instants = first + DAY_S * np.arange(count + 1, dtype=np.float64)
    angle, rate = greenwich_mean_sidereal_angle(instants)
    gone = np.diff(angle)
    gone += _TURN * np.round((rate[:-1] * DAY_S - gone) / _TURN)
    knots = np.column_stack([angle[:-1], gone / DAY_S])
    return knots, first - start, float(rate[len(rate) // 2])
