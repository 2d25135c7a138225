"""What the ledger's observations say of a target: from records to an offset, and its bound.

Everything counts against the element set in use. An offset that was measured against another set is
carried over by how far that set's motion is along the track from this one's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from contactd.core.errors import InputError
from contactd.core.ground.doppler import SPEED_OF_LIGHT_KM_S
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S, from_text, to_text
from contactd.core.learning.measured import Kind, Measured
from contactd.core.learning.offset import Estimate
from contactd.core.learning.receptions import Growth, Reception, Strip, Strips, strip_of
from contactd.core.learning.several import Learned, Offset, learn_motion
from contactd.core.learning.sightline import Sightline
from contactd.core.learning.tracking import Contact
from contactd.core.orbit import format_omm, parse_omm
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.orbit_error import LEAST_BOUND_S
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.track import Track
from contactd.core.record import AOS_OBSERVED, LOS_OBSERVED, OFFSET_MEASURED, Record
from contactd.core.target import Target

FARTHEST_DAYS: Final = 15.0
"""Observations farther from the elements' epoch say nothing of them."""
MEASURED_FLOOR_S: Final = 1e-3
MOST_KEPT: Final = 400
"""Measurements of one series that a record keeps."""


@dataclass(frozen=True, slots=True)
class Unused:
    """An observation that does not count: the number of its record, and why, in words."""

    record: int
    reason: str


@dataclass(frozen=True, slots=True)
class Lesson:
    """What observations teach of the element set in use.

    Attributes:
        elements: the set.
        growth: bounds of the offset without any observation.
        learned: None if there are no observations that count.
        receptions, measured: how many of each count.
        unused: those that do not, in order of their records.
        displacement_km: how far it may be off its track sideways.
        offsets: (instant, offset, deviation) of those measured that count (s).
        strips: (instant, least offset, greatest offset) of receptions that count (s).
    """

    elements: ElementSet
    growth: Growth
    learned: Learned | None
    receptions: int
    measured: int
    unused: tuple[Unused, ...] = ()
    displacement_km: float = 0.0
    offsets: tuple[tuple[float, float, float], ...] = ()
    strips: tuple[tuple[float, float, float], ...] = ()


def growth_of(target: Target, now: float) -> tuple[Growth, float]:
    """Bounds of the along-track offset before any observation, and how far it may be off across.

    Args:
        now: instant (s) that chooses among element sets.

    Raises:
        ValueError: if the target has no element sets.
    """
    if target.elements_for(now) is None:
        raise ValueError(f"{target.name} has no element sets")
    error = target.error_at(now)
    growth = Growth(max(error.at_epoch_s, LEAST_BOUND_S), error.per_day_s, error.per_day2_s)
    return growth, error.displacement_km


def measured_body(
    contact: Contact, estimate: Estimate, elements: ElementSet, source: str
) -> dict[str, Any]:
    """Body for OFFSET_MEASURED: what one contact's measurements say, against which elements."""
    start, end = contact.span
    return {
        "station": contact.station.name,
        "from": to_text(start, 3),
        "to": to_text(end, 3),
        "at": to_text(estimate.at, 3),
        "measured": sorted({str(each.kind) for each in contact.series}),
        "source": source,
        "offset_s": round(estimate.offset_s, 4),
        "sigma_s": round(estimate.sigma_s, 4),
        "bound_s": round(estimate.bound_s, 4),
        "used": estimate.used,
        "given": estimate.given,
        "problems": list(estimate.problems),
        "omm": format_omm([elements], "json"),
        "series": [_form_of(each, start) for each in contact.series],
    }


def _form_of(series: Measured, start: float) -> dict[str, Any]:
    """A series as JSON values, thinned out evenly to at most ``MOST_KEPT`` measurements."""
    every = max(1, -(-len(series.at) // MOST_KEPT))
    form: dict[str, Any] = {
        "kind": series.kind.name,
        "after_s": [round(float(each) - start, 6) for each in series.at[::every]],
        "values": series.values[::every].tolist(),
        "noise": series.noise,
        "two_way": series.two_way,
        "integration_s": series.integration_s,
    }
    if series.sent_hz is not None:
        form["sent_hz"] = series.sent_hz[::every].tolist()
    return form


def series_of(record: Record, track: Track, stations: Mapping[str, Station]) -> list[Measured]:
    """What a record of a measured contact still holds of its measurements.

    Raises:
        KeyError, TypeError, ValueError: if its station is not known any more, or its body cannot be
            read.
    """
    body = record.body
    line = Sightline(track, stations[str(body["station"])])
    start = from_text(str(body["from"]))
    made = []
    for form in body["series"]:
        sent = form.get("sent_hz")
        made.append(
            Measured(
                Kind[str(form["kind"])],
                line,
                start + np.asarray(form["after_s"], dtype=np.float64),
                np.asarray(form["values"], dtype=np.float64),
                None if form["noise"] is None else float(form["noise"]),
                None if sent is None else np.asarray(sent, dtype=np.float64),
                bool(form["two_way"]),
                float(form["integration_s"]),
            )
        )
    return made


def reception_of(
    record: Record, stations: Mapping[str, Station], displacement_km: float = 0.0
) -> Reception:
    """The reception that a record tells of.

    Raises:
        ValueError: if its station is not known any more, or its body cannot be read.
    """
    body = record.body
    station = stations.get(str(body.get("station", "")))
    if station is None:
        raise ValueError(f"station {body.get('station')} is not configured")
    return Reception(
        station, from_text(str(body["at"])), float(body["error_s"]), station.lowest_signal_deg,
        record.number, displacement_km,
    )  # fmt: skip


def reception_strip(
    track: Sgp4Track, elements: ElementSet, reception: Reception, growth: Growth
) -> Strip:
    """A reception's strip; the time the signal took counts with the clock's error."""
    seen = Sightline(track, reception.station).seen(np.array([reception.at]))
    light_s = float(seen.range_km[0]) / SPEED_OF_LIGHT_KM_S
    wider = replace(reception, tolerance_s=reception.tolerance_s + light_s)
    return strip_of(track, elements.epoch, wider, growth)


def lesson_of(
    target: Target, stations: Mapping[str, Station], records: Iterable[Record], now: float
) -> Lesson | None:
    """What recorded observations teach of the element set in use; None without element sets.

    Args:
        stations: by name.
        records: of the target's observations.
        now: instant (s) that chooses among element sets.
    """
    elements = target.elements_for(now)
    if elements is None or target.ephemeris is not None or target.state is not None:
        return None
    growth, displacement_km = growth_of(target, now)
    track = Sgp4Track(elements, target.name)
    strips: list[Strip] = []
    offsets: list[Offset] = []
    unused: list[Unused] = []
    for record in records:
        try:
            if record.kind in (AOS_OBSERVED, LOS_OBSERVED):
                heard = reception_of(record, stations, displacement_km)
                _check_age(elements, heard.at)
                strips.append(reception_strip(track, elements, heard, growth))
            elif record.kind == OFFSET_MEASURED:
                offset = offset_of(record, elements)
                _check_age(elements, offset.at)
                offsets.append(offset)
        except (KeyError, TypeError, ValueError, InputError) as problem:
            unused.append(Unused(record.number, str(problem)))
    unused += [
        Unused(each.reception.record, "no motion within the orbit error explains it")
        for each in strips
        if each.offsets_s is None
    ]
    learned = learn_motion(elements.epoch, growth, offsets, Strips(tuple(strips), growth))
    named = {each.record for each in unused}
    for number in learned.contradictions if learned is not None else ():
        if number not in named:
            unused.append(Unused(number, "it contradicts what was observed before"))
    left_out = {each.record for each in unused}
    received = tuple(
        (each.reception.at, *each.offsets_s)
        for each in strips
        if each.offsets_s is not None and each.reception.record not in left_out
    )
    counted = tuple(
        (each.at, each.offset_s, each.sigma_s) for each in offsets if each.record not in left_out
    )
    return Lesson(
        elements,
        growth,
        learned,
        len(received),
        len(counted),
        tuple(sorted(unused, key=lambda each: each.record)),
        displacement_km,
        counted,
        received,
    )


def offset_of(record: Record, elements: ElementSet) -> Offset:
    """A measured offset, against an element set.

    Raises:
        ValueError: if it was not acceptable, or cannot be read.
    """
    body = record.body
    problems = [str(each) for each in body["problems"]]
    if problems:
        raise ValueError("; ".join(problems))
    at = from_text(str(body["at"]))
    offset_s = float(body["offset_s"]) - apart_s(parse_omm(str(body["omm"]))[0], elements, at)
    sigma_s = max(float(body["bound_s"]) / 1.96, MEASURED_FLOOR_S)
    return Offset(at, offset_s, sigma_s, record.number)


def apart_s(before: ElementSet, after: ElementSet, at: float) -> float:
    """How much earlier a later set's motion is along the track than an earlier set's (s)."""
    if before == after:
        return 0.0
    then = np.array([at])
    (first, speed), (second, _) = Sgp4Track(before).states(then), Sgp4Track(after).states(then)
    along = speed[0] / float(np.linalg.norm(speed[0])) ** 2
    found = float((second[0] - first[0]) @ along)
    if not np.isfinite(found):
        raise ValueError("there are no states of the target then")
    return found


def _check_age(elements: ElementSet, at: float) -> None:
    days = abs(at - elements.epoch) / DAY_S
    if days > FARTHEST_DAYS:
        raise ValueError(f"{days:.0f} days from the epoch of the elements")
