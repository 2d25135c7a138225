"""When each service of each station can really be used: from contacts to coverage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.horizon import horizon_of
from contactd.core.contacts.prediction import motions
from contactd.core.contacts.search import Spans, find_spans
from contactd.core.contacts.table import ContactTable
from contactd.core.ground.station import ServiceTerms, Station
from contactd.core.ground.usable import trackable_part, within_link
from contactd.core.instants import DAY_S
from contactd.core.intervals import EMPTY, IntervalSet, union
from contactd.core.orbit.elements import TimingError
from contactd.core.orbit.track import Track

if TYPE_CHECKING:
    from contactd.core.ground.links import Link

Services = Mapping[str, Mapping[str, Coverage]]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def services(
    track: Track,
    stations: Sequence[Station],
    contacts: ContactTable,
    timing_error: TimingError,
    epoch: float,
    start: float,
    end: float,
    links: Mapping[str, Link] | None = None,
    compiled: bool = False,
) -> dict[str, dict[str, Coverage]]:
    """Coverage of one target by each service of each station.

    A service can be used from AOS + acquisition until LOS − guard, while the target stands at or
    above the service's least elevation, the station is not out, its mount can follow, the Sun is
    not in its beam, and the service's radio link has its required margin. Where a contact is cut by
    the end of the span there is neither acquisition nor guard.

    Args:
        track: the target's motion; its name chooses its contacts.
        contacts: as predicted over at least ``[start, end)``; other targets' are passed over.
        timing_error: of the elements: it moves a contact earlier or later as a whole.
        epoch: instant (s) that the timing error's age counts from.
        start, end: instants (s) between which coverage is wanted.
        links: the target's radio links by name; a service whose link is not among them needs none.
        compiled: whether to use the compiled path (see :mod:`fleet`).

    Returns:
        By service, then by station (every station that offers the service).
    """
    result: dict[str, dict[str, Coverage]] = {}
    mine = contacts.of(target=track.name)
    raised = _raised(track, stations, contacts.start, contacts.end, compiled)
    for station in stations:
        rows = mine.of(station=station.name)
        geometric = _Bounds(rows.aos, rows.los, rows.cut_at_start, rows.cut_at_end)
        seen = IntervalSet(rows.aos, rows.los)
        followed = trackable_part(track, station, seen) if station.is_limited else seen
        for service, terms in station.services.items():
            bounds = [(geometric, terms)]
            higher = raised.get((station.name, terms.least_elevation_deg))
            if higher is not None:
                bounds.append((higher, ServiceTerms()))
            coverage = _coverage(bounds, station.outages, timing_error, epoch, start, end)
            link = links.get(terms.link) if links else None
            if link is not None or station.is_limited:
                lost = seen - within_link(track, station, followed, link)
                # What is lost may be lost earlier or later, as the contact itself.
                early_s = _error_s(timing_error, lost.starts - epoch)
                late_s = _error_s(timing_error, lost.ends - epoch)
                coverage = Coverage(
                    nominal=coverage.nominal - lost,
                    certain=coverage.certain
                    - IntervalSet(lost.starts - early_s, lost.ends + late_s),
                    possible=coverage.possible
                    - IntervalSet(lost.starts + early_s, lost.ends - late_s),
                )
            coverage = coverage.not_counting_on(station.degraded)
            result.setdefault(service, {})[station.name] = coverage
    return result


class _Bounds:
    """Spans in which the target is high enough, and whether their ends are only the horizon's."""

    def __init__(
        self, starts: FloatArray, ends: FloatArray, cut_at_start: BoolArray, cut_at_end: BoolArray
    ) -> None:
        self.starts, self.ends = starts, ends
        self.cut_at_start, self.cut_at_end = cut_at_start, cut_at_end

    def usable(
        self, terms: ServiceTerms, timing_error: TimingError, epoch: float, sign: float
    ) -> IntervalSet:
        """Spans moved inward (sign +1) or outward (−1) by the timing error, or left (0)."""
        if not len(self.starts):
            return EMPTY
        inward_s: FloatArray | float = terms.acquisition_s
        backward_s: FloatArray | float = terms.guard_s
        if sign:
            inward_s = inward_s + sign * _error_s(timing_error, self.starts - epoch)
            backward_s = backward_s + sign * _error_s(timing_error, self.ends - epoch)
        starts, ends = self.starts + inward_s, self.ends - backward_s
        starts[self.cut_at_start] = self.starts[self.cut_at_start]
        ends[self.cut_at_end] = self.ends[self.cut_at_end]
        return IntervalSet(starts, ends)


def _error_s(timing_error: TimingError, ages_s: FloatArray) -> FloatArray:
    return timing_error.at_epoch_s + timing_error.per_day_s * np.abs(ages_s) / DAY_S


def _raised(
    track: Track, stations: Sequence[Station], start: float, end: float, compiled: bool
) -> dict[tuple[str, float], _Bounds]:
    """Where services ask for more than their station does: by station and elevation (deg).

    Without the mask: what it hides is no contact, and these are only met with contacts.
    """
    asked = {
        (station.name, terms.least_elevation_deg): replace(station, mask=())
        for station in stations
        for terms in station.services.values()
        if terms.least_elevation_deg > station.least_elevation_deg
    }
    if not asked:
        return {}
    if compiled:
        return _raised_compiled(track, asked, start, end)
    followed = motions(track, start, end)
    return {
        key: _bounds([find_spans(motion, horizon_of(station, key[1])) for motion in followed])
        for key, station in asked.items()
    }


def _raised_compiled(
    track: Track, asked: Mapping[tuple[str, float], Station], start: float, end: float
) -> dict[tuple[str, float], _Bounds]:
    from contactd.core.contacts.fleet import predict_fleet

    # One station for each elevation, in one go.
    raised = [
        replace(station, name=str(number), least_elevation_deg=elevation_deg)
        for number, ((_, elevation_deg), station) in enumerate(asked.items())
    ]
    table = predict_fleet([track], raised, start, end, compiled=True)
    found = {}
    for number, key in enumerate(asked):
        rows = table.station == number
        found[key] = _Bounds(
            table.aos[rows], table.los[rows], table.cut_at_start[rows], table.cut_at_end[rows]
        )
    return found


def _bounds(found: Sequence[Spans]) -> _Bounds:
    return _Bounds(
        np.concatenate([np.zeros(0), *(each.starts for each in found)]),
        np.concatenate([np.zeros(0), *(each.ends for each in found)]),
        np.concatenate([np.zeros(0, np.bool_), *(each.cut_at_start for each in found)]),
        np.concatenate([np.zeros(0, np.bool_), *(each.cut_at_end for each in found)]),
    )


def _coverage(
    bounds: list[tuple[_Bounds, ServiceTerms]],
    outages: IntervalSet,
    timing_error: TimingError,
    epoch: float,
    start: float,
    end: float,
) -> Coverage:
    def combined(sign: float) -> IntervalSet:
        usable: IntervalSet | None = None
        for spans, terms in bounds:
            these = spans.usable(terms, timing_error, epoch, sign)
            usable = these if usable is None else usable & these
        assert usable is not None
        within = usable.clip(start, end)
        return within - outages if outages else within

    nominal = combined(0.0)
    if timing_error == TimingError():
        return Coverage(nominal, nominal, nominal)
    return Coverage(nominal=nominal, certain=combined(1.0), possible=combined(-1.0))


def in_service(services: Services, stations: Mapping[str, Station]) -> Services:
    """Coverage by service and station, without what the stations' outages take of it.

    What is stated of a station counts at once, whatever its prediction was made with. Degraded
    ones are not counted on.
    """
    told = {name: each for name, each in stations.items() if each.stated}
    if not told:
        return services
    left = {name: each.outages.complement() for name, each in told.items()}
    return {
        service: {
            name: coverage.within(left[name]).not_counting_on(told[name].degraded)
            if name in told
            else coverage
            for name, coverage in by_station.items()
        }
        for service, by_station in services.items()
    }


def any_station(coverage: Mapping[str, Coverage]) -> Coverage:
    """Coverage by whichever of the stations: the union of each kind."""
    each = list(coverage.values())
    return Coverage(
        nominal=union(one.nominal for one in each),
        certain=union(one.certain for one in each),
        possible=union(one.possible for one in each),
    )
