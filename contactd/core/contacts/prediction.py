"""Predicts contacts: which targets stand above which stations' horizons, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.horizon import Horizon, horizon_of
from contactd.core.contacts.motion import Motion, follow
from contactd.core.contacts.search import Spans, find_spans
from contactd.core.contacts.table import ContactTable, joined
from contactd.core.errors import PropagationError
from contactd.core.ground.look import look
from contactd.core.ground.refraction import refraction_deg
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet, union
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

SHORTEST_STRETCH_S = 1e-3


def predict(
    tracks: Sequence[Track], stations: Sequence[Station], start: float, end: float
) -> ContactTable:
    """All contacts of the tracks with the stations in ``[start, end)``.

    Args:
        tracks: one a target, with distinct names.
        stations: with distinct names.
        start, end: instants (s).

    Returns:
        A table in ascending order of AOS. AOS and LOS lie within 10 ms of the root of the
        geometric elevation (20 ms where it changes by less than 0.005°/s), TCA within 0.1 s.
        A target that cannot be propagated through all of the span is named in ``problems``; its
        contacts until then, and all others', are there.
    """
    horizons = [horizon_of(station) for station in stations]
    tables = [predict_track(track, horizons, start, end) for track in tracks]
    return joined(tables, start, end)


def predict_track(
    track: Track, horizons: Sequence[Horizon], start: float, end: float
) -> ContactTable:
    """All contacts of one track: see :func:`predict`."""
    followed = motions(track, start, end)
    parts = [
        _contacts(motion, horizon, number, start, end, track.name)
        for motion in followed
        for number, horizon in enumerate(horizons)
    ]
    names = tuple(horizon.station.name for horizon in horizons)
    empty = ContactTable(start, end, targets=(track.name,), stations=names)
    table = joined([empty, *parts], start, end)
    problems = problems_of(track, start, end) or _lost(track, followed, start, end)
    return replace(table, problems=problems)


def motions(track: Track, start: float, end: float) -> list[Motion]:
    """The track's motion over each stretch of its validity in ``[start, end]``."""
    valid = valid_part(track, start, end)
    found: list[Motion] = []
    for first, last in valid:
        if last - first > SHORTEST_STRETCH_S:
            motion = follow(track, first, last)
            found.extend([motion] if motion.is_whole else _sound_parts(motion))
    return found


def _sound_parts(motion: Motion) -> list[Motion]:
    """Motion over the stretches without a node that the track, against its word, has no state for.

    Of elements only the stretch that the epoch lies in, or is nearest to, is worth anything.
    """
    whole = np.isfinite(motion.coefficients).all(axis=(0, 2))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], whole, [False]]).astype(np.int8)))
    starts = motion.start + motion.step_s * edges[0::2]
    ends = motion.start + motion.step_s * edges[1::2]
    if isinstance(motion.track, Sgp4Track) and len(starts):
        epoch = motion.track.elements.epoch
        away = np.maximum(np.maximum(starts - epoch, epoch - ends), 0.0)
        starts, ends = starts[[away.argmin()]], ends[[away.argmin()]]
    parts = [follow(motion.track, *stretch) for stretch in IntervalSet(starts, ends)]
    return [part for part in parts if part.is_whole]


def _lost(
    track: Track, followed: list[Motion], start: float, end: float
) -> tuple[PropagationError, ...]:
    """What could not be followed although the track is said to be valid there."""
    covered = IntervalSet([each.start for each in followed], [each.end for each in followed])
    gaps = (valid_part(track, start, end) - covered).longer_than(10.0 * SHORTEST_STRETCH_S)
    return tuple(PropagationError(track.name, "there are no states of it", gap) for gap, _ in gaps)


def valid_part(track: Track, start: float, end: float) -> IntervalSet:
    """The part of ``[start, end)`` in which the track has states."""
    if isinstance(track, Sgp4Track):
        return track.valid_between(start, end)
    return track.validity.clip(start, end)


def problems_of(track: Track, start: float, end: float) -> tuple[PropagationError, ...]:
    """Why the track has no states in some of ``[start, end)``; empty if it has."""
    if end <= start:
        return ()
    if isinstance(track, Sgp4Track):
        problem = track.problem_between(start, end)
        return () if problem is None else (problem,)
    return tuple(
        PropagationError(track.name, "there are no states of it", gap)
        for gap, _ in track.validity.gaps(start, end)
    )


def crossings(
    track: Track, station: Station, least_elevation_deg: float, start: float, end: float
) -> IntervalSet:
    """When a track stands at or above an elevation (deg) and the station's mask.

    The station's own least elevation counts too. Cut at ``start`` and ``end`` (s).
    """
    horizon = horizon_of(station, least_elevation_deg)
    spans = [find_spans(motion, horizon) for motion in motions(track, start, end)]
    return union(IntervalSet(each.starts, each.ends) for each in spans)


def _contacts(
    motion: Motion, horizon: Horizon, number: int, start: float, end: float, target: str
) -> ContactTable:
    spans = find_spans(motion, horizon)
    return table_of(motion, horizon, number, spans, start, end, target)


def table_of(
    motion: Motion,
    horizon: Horizon,
    number: int,
    spans: Spans,
    start: float,
    end: float,
    target: str,
) -> ContactTable:
    """Contacts from search intervals, with exact angles (degrees) and ranges (km)."""
    count = len(spans.starts)
    if not count:
        return ContactTable(start, end)
    moments = np.concatenate([spans.starts, spans.peaks, spans.ends])
    seen = look(horizon.station, *motion.exact_states(moments))
    azimuth = seen.azimuth_deg.reshape(3, count)
    highest_deg = seen.elevation_deg[count : 2 * count]
    if horizon.station.refraction:
        highest_deg = highest_deg + refraction_deg(highest_deg)
    return ContactTable(
        start=start,
        end=end,
        targets=(target,),
        stations=(horizon.station.name,),
        target=np.zeros(count, dtype=np.int32),
        station=np.zeros(count, dtype=np.int32),
        aos=spans.starts,
        tca=spans.peaks,
        los=spans.ends,
        aos_azimuth_deg=azimuth[0],
        tca_azimuth_deg=azimuth[1],
        los_azimuth_deg=azimuth[2],
        max_elevation_deg=highest_deg,
        tca_range_km=seen.range_km[count : 2 * count],
        cut_at_start=spans.cut_at_start,
        cut_at_end=spans.cut_at_end,
    )
