"""From coverage and requests to opportunities: when a station could do what a request wants."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.milliseconds import outward
from contactd.core.allocation.request import Request
from contactd.core.contacts.contact import Coverage
from contactd.core.instants import DAY_S, tai_minus_utc_s
from contactd.core.intervals import EMPTY, IntervalSet, union

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

SHORTEST_S = 1.0
"""What is shorter than this is no opportunity."""
MOST_PARTS = 2_000
"""So many parts one time in view is cut into at the most."""
_NOON_S = DAY_S / 2  # instants count from a noon

Services = Mapping[str, Mapping[str, Coverage]]


@dataclass(frozen=True, slots=True)
class Opportunities:
    """One row an opportunity, ordered by request, then by station, then by time; shapes ``[n]``.

    Attributes:
        request, station: indices into ``requests`` and ``stations``.
        usable_from, usable_to: instants (s) of coverage that counts for the request.
        first, last: instants (s) of the antenna time that goes with it: the coverage and, where
            it begins or ends with the target's being in view, the elements' timing error.
        period: index into ``period_…``: the time that the request's count is meant for.
        period_request, period_start, period_end: of each period, shapes ``[p]``.
    """

    requests: tuple[Request, ...]
    stations: tuple[str, ...]
    request: IndexArray
    station: IndexArray
    usable_from: FloatArray
    usable_to: FloatArray
    first: FloatArray
    last: FloatArray
    period: IndexArray
    period_request: IndexArray
    period_start: FloatArray
    period_end: FloatArray

    def __len__(self) -> int:
        return len(self.request)


def find_opportunities(
    requests: Sequence[Request],
    coverage: Mapping[str, Services],
    stations: Sequence[str],
    span: tuple[float, float],
    running: Mapping[tuple[str, str], float] | None = None,
) -> Opportunities:
    """All opportunities of all requests.

    Args:
        coverage: by target, then by service, then by station.
        stations: names of the stations that there are; others' coverage is passed over.
        span: (start, end) instants (s) within which antenna time can be given.
        running: by target and station, since when (instant, s) one follows the other already.
    """
    since = running or {}
    index = {name: number for number, name in enumerate(stations)}
    columns: list[list[FloatArray]] = [[], [], [], []]
    counts: list[tuple[int, int, int]] = []
    for number, request in enumerate(requests):
        services = coverage.get(request.target, {})
        for name in index:
            begins = since.get((request.target, name), span[0])
            found = _of_station(request, services, name, (begins, span[1]))
            if len(found[0]):
                counts.append((number, index[name], len(found[0])))
                for column, values in zip(columns, found, strict=True):
                    column.append(values)
    usable_from, usable_to, first, last = (np.concatenate([np.zeros(0), *each]) for each in columns)
    repeats = np.array([count for _, _, count in counts], dtype=np.intp)
    of_request = np.repeat(np.array([one for one, _, _ in counts], dtype=np.intp), repeats)
    period, period_request, period_day = _periods(requests, of_request, usable_from)
    starts, ends = _period_bounds(period_day, span)
    first, last = outward(first, last)
    return Opportunities(
        requests=tuple(requests),
        stations=tuple(stations),
        request=of_request,
        station=np.repeat(np.array([one for _, one, _ in counts], dtype=np.intp), repeats),
        usable_from=usable_from,
        usable_to=usable_to,
        first=first,
        last=last,
        period=period,
        period_request=period_request,
        period_start=starts,
        period_end=ends,
    )


def utc_day(instants: FloatArray) -> IndexArray:
    """The number of the UTC day of each instant (s); days count from one noon's midnight on."""
    labels = instants - tai_minus_utc_s(instants) + _NOON_S
    return np.floor(labels / DAY_S).astype(np.intp)


def day_start(day: int) -> float:
    """The instant (s) at which a UTC day of :func:`utc_day` begins."""
    return float(_day_starts(np.array([day]))[0])


def _day_starts(days: IndexArray) -> FloatArray:
    labels: FloatArray = np.asarray(days * DAY_S - _NOON_S, dtype=np.float64)
    return labels + tai_minus_utc_s(labels + tai_minus_utc_s(labels))


def _of_station(
    request: Request, services: Services, station: str, span: tuple[float, float]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Usable from and to, first and last, of one request at one station."""
    nothing = np.zeros(0)
    if request.stations and station not in request.stations:
        return nothing, nothing, nothing, nothing
    counted, possible = _coverage_of(request, services, station)
    window = max(span[0], request.not_before), min(span[1], request.deadline)
    if not counted or window[1] <= window[0]:
        return nothing, nothing, nothing, nothing
    allowed = IntervalSet([window[0]], [window[1]])
    if request.within is not None:
        allowed = allowed & request.within.get(station, EMPTY)
    usable = counted & allowed
    first, last = _with_margins(counted, possible)
    parent = np.searchsorted(counted.starts, usable.starts, side="right") - 1
    limit = np.searchsorted(allowed.starts, usable.starts, side="right") - 1
    usable_from, usable_to = usable.starts, usable.ends
    first = np.maximum(first[parent], allowed.starts[limit])
    last = np.minimum(last[parent], allowed.ends[limit])
    keep = usable_to - usable_from >= SHORTEST_S
    usable_from, usable_to = usable_from[keep], usable_to[keep]
    first, last = first[keep], last[keep]
    if request.in_parts:
        return usable_from, usable_to, first, last
    # Whoever asks for more than the most cannot be right about both: the least goes before.
    most_s = max(request.most_duration_s, request.least_duration_s)
    begins, ends, first, last = _parts(usable_from, usable_to, first, last, most_s)
    long_enough = ends - begins >= request.least_duration_s - 1e-6
    return begins[long_enough], ends[long_enough], first[long_enough], last[long_enough]


def _parts(
    usable_from: FloatArray,
    usable_to: FloatArray,
    first: FloatArray,
    last: FloatArray,
    most_s: float,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """What lasts longer than the most, cut at whole multiples of it from midnight UTC on.

    The cuts do not depend on where the coverage begins, which for a target that is always in view
    is only where its prediction begins.
    """
    midnight = _day_starts(utc_day(usable_from))
    base = midnight + np.floor((usable_from - midnight) / most_s) * most_s
    long = usable_to - usable_from > most_s + 1e-6
    base = np.where(long, base, usable_from)
    parts = np.where(long, np.ceil((usable_to - base) / most_s - 1e-9), 1).astype(np.intp)
    parts = np.clip(parts, 1, MOST_PARTS)
    number = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    edge = np.repeat(base, parts) + number * most_s
    opens, closes = number == 0, number == np.repeat(parts, parts) - 1
    begins = np.where(opens, np.repeat(usable_from, parts), edge)
    ends = np.where(closes, np.repeat(usable_to, parts), edge + most_s)
    return (
        begins,
        ends,
        np.where(opens, np.repeat(first, parts), begins),
        np.where(closes, np.repeat(last, parts), ends),
    )


def _coverage_of(
    request: Request, services: Services, station: str
) -> tuple[IntervalSet, IntervalSet]:
    """What counts for the request, and the possible coverage round it."""
    if request.service:
        each = [services.get(request.service, {}).get(station, Coverage())]
    else:
        each = [stations[station] for stations in services.values() if station in stations]
    counted = union(one.certain if request.sure else one.nominal for one in each)
    return counted, union(one.possible for one in each) | counted


def _with_margins(counted: IntervalSet, possible: IntervalSet) -> tuple[FloatArray, FloatArray]:
    """Starts and ends of the possible coverage round each interval, halted by its neighbours."""
    at = np.searchsorted(possible.starts, counted.starts, side="right") - 1
    before = np.concatenate([[-math.inf], counted.ends[:-1]])
    after = np.concatenate([counted.starts[1:], [math.inf]])
    return np.maximum(possible.starts[at], before), np.minimum(possible.ends[at], after)


def _periods(
    requests: Sequence[Request], of_request: IndexArray, instants: FloatArray
) -> tuple[IndexArray, IndexArray, IndexArray]:
    """Each opportunity's period; and of each period, the request and the day (−1 for the span)."""
    daily = np.array([request.per_day for request in requests], dtype=np.bool_)
    day = np.where(daily[of_request], utc_day(instants), -1) if len(of_request) else of_request
    pairs = np.stack([of_request, day], axis=1)
    unique, period = np.unique(pairs, axis=0, return_inverse=True)
    return period.reshape(-1), unique[:, 0], unique[:, 1]


def _period_bounds(day: IndexArray, span: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    whole = day < 0
    return (
        np.where(whole, span[0], np.maximum(_day_starts(day), span[0])),
        np.where(whole, span[1], np.minimum(_day_starts(day + 1), span[1])),
    )
