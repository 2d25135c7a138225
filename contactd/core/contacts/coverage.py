"""When each service of each station can really be used: from contacts to coverage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.bounded import Bounded, bounded
from contactd.core.contacts.contact import Coverage
from contactd.core.contacts.horizon import horizon_of
from contactd.core.contacts.lost import lost_within
from contactd.core.contacts.prediction import motions
from contactd.core.contacts.search import Spans, find_spans
from contactd.core.contacts.table import ContactTable
from contactd.core.ground.station import ServiceTerms, Station
from contactd.core.intervals import EMPTY, IntervalSet, union
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.orbit.track import Track

if TYPE_CHECKING:
    from contactd.core.ground.links import Link

Services = Mapping[str, Mapping[str, Coverage]]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sighted:
    """When a target stands above one horizon.

    Attributes:
        coverage: nominal, certain and possible.
        cuts: instants (s) at which it goes on beyond what is predicted: ends that are none.
    """

    coverage: Coverage
    cuts: FloatArray

    def usable(self, terms: ServiceTerms) -> Coverage:
        """What is left after acquisition and before the guard.

        A contact that is certain began before its certain part for every motion, so that nothing is
        promised too early.
        """
        return Coverage(
            *(
                self._within(each, terms)
                for each in (self.coverage.nominal, self.coverage.certain, self.coverage.possible)
            )
        )

    def _within(self, spans: IntervalSet, terms: ServiceTerms) -> IntervalSet:
        if not spans:
            return EMPTY
        begins = np.where(np.isin(spans.starts, self.cuts), 0.0, terms.acquisition_s)
        finishes = np.where(np.isin(spans.ends, self.cuts), 0.0, terms.guard_s)
        return spans.shrink(begins, finishes)


Seen = Mapping[tuple[str, float], Sighted]
"""By station, and by least elevation (deg) where a service asks for more than its station does."""


def seen_from(
    track: Track,
    stations: Sequence[Station],
    contacts: ContactTable,
    error: OrbitError,
    epoch: float,
    compiled: bool = False,
) -> dict[tuple[str, float], Sighted]:
    """When a target stands above each station's horizon, and above what its services ask for.

    Args:
        track: the target's motion; its name chooses its contacts.
        contacts: as predicted over some span; other targets' are passed over.
        error: of the orbit.
        epoch: instant (s) that the error's age counts from.
        compiled: whether to use the compiled path (see :mod:`fleet`).
    """
    mine = contacts.of(target=track.name)
    nominal = {
        (station.name, station.least_elevation_deg): _Spans.of(mine.of(station=station.name))
        for station in stations
    }
    horizons = {key: horizon_of(each) for key, each in zip(nominal, stations, strict=True)}
    # Without the mask: what it hides is no contact, and these are only met with contacts.
    raised = {
        (station.name, terms.least_elevation_deg): replace(station, mask=())
        for station in stations
        for terms in station.services.values()
        if terms.least_elevation_deg > station.least_elevation_deg
    }
    nominal |= _raised(track, raised, contacts.start, contacts.end, compiled)
    horizons |= {key: horizon_of(station, key[1]) for key, station in raised.items()}
    if error.is_exact:
        return {key: spans.exact() for key, spans in nominal.items()}
    order = list(horizons)
    found = bounded(
        track, [horizons[key] for key in order], error, epoch, contacts.start, contacts.end
    )
    return {key: nominal[key].with_bounds(each) for key, each in zip(order, found, strict=True)}


def services(
    track: Track,
    stations: Sequence[Station],
    seen: Seen,
    error: OrbitError,
    epoch: float,
    start: float,
    end: float,
    links: Mapping[str, Link] | None = None,
) -> dict[str, dict[str, Coverage]]:
    """Coverage of one target by each service of each station.

    A service can be used from AOS + acquisition until LOS − guard, while the target stands at or
    above the service's least elevation, the station is not out, its mount can follow, the Sun is
    not in its beam, and the service's radio link has its required margin. Where a contact is cut by
    the end of the span there is neither acquisition nor guard.

    Args:
        seen: as :func:`seen_from` gives it, over at least ``[start, end)``.
        error, epoch: as there.
        start, end: instants (s) between which coverage is wanted.
        links: the target's radio links by name; a service whose link is not among them needs none.

    Returns:
        By service, then by station (every station that offers the service).
    """
    result: dict[str, dict[str, Coverage]] = {}
    for station in stations:
        contacts = seen[station.name, station.least_elevation_deg]
        for service, terms in station.services.items():
            coverage = contacts.usable(terms)
            if terms.least_elevation_deg > station.least_elevation_deg:
                coverage = coverage.limited(seen[station.name, terms.least_elevation_deg].coverage)
            coverage = coverage.within(_in_service(station.outages, start, end))
            link = links.get(terms.link) if links else None
            if link is not None or station.is_limited:
                lost = lost_within(track, station, contacts.coverage, link, error, epoch)
                coverage = coverage.limited(lost.complement())
            coverage = coverage.not_counting_on(station.degraded)
            result.setdefault(service, {})[station.name] = coverage
    return result


def _in_service(outages: IntervalSet, start: float, end: float) -> IntervalSet:
    return IntervalSet([start], [end]) - outages


@dataclass(frozen=True, slots=True)
class _Spans:
    """Nominal spans above a horizon, and at which instants they are only cut."""

    spans: IntervalSet
    cuts: FloatArray

    @classmethod
    def of(cls, rows: ContactTable | Spans) -> _Spans:
        starts = rows.aos if isinstance(rows, ContactTable) else rows.starts
        ends = rows.los if isinstance(rows, ContactTable) else rows.ends
        return cls(
            IntervalSet(starts, ends),
            np.concatenate([starts[rows.cut_at_start], ends[rows.cut_at_end]]),
        )

    def exact(self) -> Sighted:
        """What is seen if the nominal motion is the true one."""
        return Sighted(Coverage(self.spans, self.spans, self.spans), self.cuts)

    def with_bounds(self, found: Bounded) -> Sighted:
        """What is seen of a whole set of motions."""
        # Where the ends of what is known leave no room for the offsets, nothing is certain.
        possible = found.possible | (self.spans - found.looked_at)
        cuts = np.concatenate([self.cuts, found.looked_at.starts, found.looked_at.ends])
        return Sighted(Coverage(self.spans, found.certain, possible), cuts)


def _raised(
    track: Track,
    asked: Mapping[tuple[str, float], Station],
    start: float,
    end: float,
    compiled: bool,
) -> dict[tuple[str, float], _Spans]:
    """Nominal spans where services ask for more than their station does."""
    if not asked:
        return {}
    if compiled:
        return _raised_compiled(track, asked, start, end)
    followed = motions(track, start, end)
    found = {}
    for key, station in asked.items():
        each = [find_spans(motion, horizon_of(station, key[1])) for motion in followed]
        parts = [_Spans.of(spans) for spans in each]
        found[key] = _Spans(
            union(part.spans for part in parts),
            np.concatenate([np.zeros(0), *(part.cuts for part in parts)]),
        )
    return found


def _raised_compiled(
    track: Track, asked: Mapping[tuple[str, float], Station], start: float, end: float
) -> dict[tuple[str, float], _Spans]:
    from contactd.core.contacts.fleet import predict_fleet

    # One station for each elevation, in one go.
    raised = [
        replace(station, name=str(number), least_elevation_deg=elevation_deg)
        for number, ((_, elevation_deg), station) in enumerate(asked.items())
    ]
    table = predict_fleet([track], raised, start, end, compiled=True)
    return {key: _Spans.of(table.rows(table.station == n)) for n, key in enumerate(asked)}


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
