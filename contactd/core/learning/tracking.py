"""From tracking data messages to measurements of one target by our stations, contact by contact."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from contactd.core.errors import InputError
from contactd.core.ground.doppler import SPEED_OF_LIGHT_KM_S
from contactd.core.ground.look import east_north_up
from contactd.core.ground.station import Station
from contactd.core.learning.measured import Kind, Measured
from contactd.core.learning.sightline import Sightline
from contactd.core.orbit.frames import greenwich_mean_sidereal_angle
from contactd.core.orbit.inertial import frame_named, to_teme
from contactd.core.orbit.tdm import Series, TrackingData, TrackingSegment
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

LONGEST_GAP_S = 2_400.0
"""What is farther apart is of another contact."""
_FACTOR_TWO = 0.05


@dataclass(frozen=True, slots=True)
class Reading:
    """How a message is to be read.

    Attributes:
        own: names by which messages may call the target.
        stations: ours, by name.
        names: what the message calls something (key) and what we call it.
        half_range: a two-way range is written as half of the path, not as the whole of it.
        noise: standard deviations by kind, in the units of the values, where they are known.
    """

    own: frozenset[str]
    stations: Mapping[str, Station]
    names: Mapping[str, str]
    half_range: bool = False
    noise: Mapping[Kind, float] | None = None


@dataclass(frozen=True, slots=True)
class Contact:
    """What one station measured in one contact. ``notes``: what was left out, a sentence each."""

    station: Station
    series: tuple[Measured, ...]
    notes: tuple[str, ...] = ()

    @property
    def span(self) -> tuple[float, float]:
        """First and last instant (s)."""
        return (
            min(float(each.at[0]) for each in self.series),
            max(float(each.at[-1]) for each in self.series),
        )


def contacts_of(data: TrackingData, track: Track, reading: Reading) -> list[Contact]:
    """What a message says of a target, by contact, in order of time.

    Raises:
        InputError: for a participant that is no station of ours, a message that is not of the
            target, or nothing that can be used.
    """
    found: dict[str, list[Measured]] = {}
    notes: list[str] = []
    for segment in data.segments:
        station = _station_of(segment, reading)
        if station is None:
            notes.append(f"line {segment.line}: a segment that is not of the target")
            continue
        notes += [f"line {segment.line}: {each}" for each in segment.unused]
        if segment.degraded:
            notes.append(f"line {segment.line}: a segment of degraded quality")
            continue
        line = Sightline(track, station)
        found.setdefault(station.name, []).extend(_series_of(segment, line, reading, notes))
    contacts = [
        Contact(reading.stations[name], tuple(part), tuple(notes))
        for name, series in found.items()
        for part in _by_contact(series)
    ]
    if not contacts:
        why = f" ({'; '.join(notes)})" if notes else ""
        raise InputError(f"Doppler, range or angles of the target{why}", "none")
    return sorted(contacts, key=lambda each: each.span)


def plain(name: str) -> str:
    """A name without case and punctuation: ``LANTERN-3`` and ``Lantern 3`` are one."""
    return re.sub(r"[\s_\-']+", "", name).casefold()


def _station_of(segment: TrackingSegment, reading: Reading) -> Station | None:
    """The station that measured; None if the segment is not of the target."""
    names = {plain(theirs): ours for theirs, ours in reading.names.items()}
    stations = {plain(name): each for name, each in reading.stations.items()}
    own = {plain(each) for each in reading.own}

    def ours(number: int) -> str:
        word = plain(segment.participants[number])
        return plain(names.get(word, word))

    targets = [number for number in segment.participants if ours(number) in own]
    if not targets:
        return None
    others = [number for number in segment.participants if number not in targets]
    receivers = [number for number in segment.path[-1:] if number in others] or others
    for number in receivers:
        if ours(number) in stations:
            return stations[ours(number)]
    name = segment.participants[receivers[0]] if receivers else "none"
    raise InputError(
        f"a station of ours as participant (--name {name}=STATION says which it is)",
        name, f"PARTICIPANT_{receivers[0]}" if receivers else "PARTICIPANT_2", line=segment.line,
        says=f"Participant {name} is no station of ours. Add --name {name}=STATION.",
    )  # fmt: skip


def _series_of(
    segment: TrackingSegment, line: Sightline, reading: Reading, notes: list[str]
) -> list[Measured]:
    noise = reading.noise or {}
    made: list[Measured] = []
    if segment.received_hz is not None:
        received = segment.received_hz
        made.append(
            Measured(
                Kind.FREQUENCY,
                line,
                received.instants,
                received.values,
                noise.get(Kind.FREQUENCY),
                _sent(segment, line, received),
                segment.is_two_way,
            )
        )
    for series, length_s in (
        (segment.range_rate_km_s, 0.0),
        (segment.mean_range_rate_km_s, segment.integration_s),
    ):
        if series is not None:
            made.append(
                Measured(
                    Kind.RANGE_RATE,
                    line,
                    series.instants,
                    series.values,
                    noise.get(Kind.RANGE_RATE),
                    integration_s=length_s,
                )
            )
    if segment.range_km is not None:
        made.append(_range(segment, segment.range_km, line, reading))
    if segment.angles_at is not None and segment.angles_deg is not None:
        angles = _azimuth_elevation(segment, line, notes)
        if angles is not None:
            made.append(
                Measured(Kind.ANGLES, line, segment.angles_at, angles, noise.get(Kind.ANGLES))
            )
    return [each for each in made if len(each.at)]


def _range(segment: TrackingSegment, series: Series, line: Sightline, reading: Reading) -> Measured:
    two_way = segment.is_two_way
    share = 0.5 if two_way and not reading.half_range else 1.0
    made = Measured(
        Kind.RANGE, line, series.instants, series.values * share,
        (reading.noise or {}).get(Kind.RANGE),
    )  # fmt: skip
    ratio = float(np.nanmedian(made.values / made.expected(0.0)))
    for factor, other in ((2.0, "whole"), (0.5, "half")):
        if two_way and abs(ratio / factor - 1.0) < _FACTOR_TWO:
            now = "half" if reading.half_range else "whole"
            raise InputError(
                f"two-way ranges over the {now} path", f"{ratio:.2f} times what is expected",
                "RANGE", line=segment.line,
                says=f"RANGE is {ratio:.2f} times what is expected. Read it over the {other} path.",
            )  # fmt: skip
    return made


def _sent(segment: TrackingSegment, line: Sightline, received: Series) -> FloatArray:
    """What would arrive without motion, at each instant of reception.

    Where the message does not say what was sent, the middle of what was received is near enough:
    it is off by a hundred-thousandth, and a constant is unknown anyhow.
    """
    usual = np.full(len(received), float(np.median(received.values)))
    if not segment.path:
        return usual
    sent = segment.transmitted_hz.get(segment.path[0])
    turnaround = segment.turnaround if segment.is_two_way else 1.0
    if sent is None or turnaround is None:
        return usual
    legs = len(segment.path) - 1
    away = line.seen(received.instants).range_km
    at = received.instants - legs * away / SPEED_OF_LIGHT_KM_S
    index = np.clip(np.searchsorted(sent.instants, at, side="right") - 1, 0, None)
    value = sent.values[index]
    rates = segment.transmitted_hz_s.get(segment.path[0])
    if rates is not None:
        rate_at = np.clip(np.searchsorted(rates.instants, at, side="right") - 1, 0, None)
        value = value + rates.values[rate_at] * np.maximum(at - sent.instants[index], 0.0)
    return np.asarray(value * turnaround, dtype=np.float64)


def _azimuth_elevation(
    segment: TrackingSegment, line: Sightline, notes: list[str]
) -> FloatArray | None:
    """Azimuth and elevation (deg) ``[n, 2]``; None, with a note, where they cannot be had."""
    assert segment.angles_at is not None
    assert segment.angles_deg is not None
    if segment.angle_type == "AZEL":
        return segment.angles_deg
    frame = frame_named(segment.reference_frame)
    if segment.angle_type != "RADEC" or frame is None:
        kind = f"{segment.angle_type} {segment.reference_frame}".strip()
        notes.append(f"line {segment.line}: angles of type {kind}")
        return None
    ascension, declination = np.radians(segment.angles_deg).T
    direction = np.stack(
        [
            np.cos(declination) * np.cos(ascension),
            np.cos(declination) * np.sin(ascension),
            np.sin(declination),
        ],
        axis=-1,
    )
    at = segment.angles_at
    teme, _ = to_teme(frame, at, direction, np.zeros_like(direction))
    angle, _ = greenwich_mean_sidereal_angle(at)
    sine, cosine = np.sin(angle), np.cos(angle)
    fixed = np.stack(
        [cosine * teme[:, 0] + sine * teme[:, 1], cosine * teme[:, 1] - sine * teme[:, 0],
         teme[:, 2]], axis=-1,
    )  # fmt: skip
    seen = fixed @ east_north_up(line.station.latitude_deg, line.station.longitude_deg).T
    azimuth = np.degrees(np.arctan2(seen[:, 0], seen[:, 1])) % 360.0
    return np.stack([azimuth, np.degrees(np.arcsin(seen[:, 2]))], axis=-1)


def _by_contact(series: Sequence[Measured]) -> Iterable[list[Measured]]:
    """The series cut where nothing was measured for long."""
    instants = np.unique(np.concatenate([each.at for each in series])) if series else np.array([])
    if not len(instants):
        return
    cuts = np.flatnonzero(np.diff(instants) > LONGEST_GAP_S)
    starts = [float(instants[0]), *map(float, instants[cuts + 1])]
    ends = [*map(float, instants[cuts]), float(instants[-1])]
    for start, end in zip(starts, ends, strict=True):
        parts = [_within(each, start, end) for each in series]
        yield [each for each in parts if len(each.at)]


def _within(each: Measured, start: float, end: float) -> Measured:
    inside = (each.at >= start) & (each.at <= end)
    sent = None if each.sent_hz is None else each.sent_hz[inside]
    return replace(each, at=each.at[inside], values=each.values[inside], sent_hz=sent)
