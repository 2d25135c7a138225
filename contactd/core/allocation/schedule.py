"""What stations say that they gave: their schedules, and how these differ from what was asked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from contactd.core.allocation.result import Allocation, Grant, Granted
from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import EMPTY, IntervalSet


@dataclass(frozen=True, slots=True)
class Booking:
    """Antenna time for a target, as a station's schedule has it (instants, s)."""

    target: str
    station: str
    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Schedule:
    """What one station gave in one span.

    Attributes:
        start, end: instants (s) within which nothing is ours but the bookings.
    """

    station: str
    start: float
    end: float
    bookings: tuple[Booking, ...] = ()


@dataclass(frozen=True, slots=True)
class Confirmed:
    """What a station's schedules say together; the later ones go before the earlier.

    Attributes:
        governed: instants of which they say anything.
        booked: by target, what is ours of them.
    """

    governed: IntervalSet = EMPTY
    booked: Mapping[str, IntervalSet] = field(default_factory=dict)

    def with_schedule(self, schedule: Schedule) -> Confirmed:
        """The same with one schedule more."""
        span = IntervalSet([schedule.start], [schedule.end])
        fresh: dict[str, list[tuple[float, float]]] = {}
        for each in schedule.bookings:
            fresh.setdefault(each.target, []).append((each.start, each.end))
        return Confirmed(
            self.governed | span,
            {
                target: (self.booked.get(target, EMPTY) - span)
                | (IntervalSet.of(fresh.get(target, [])) & span)
                for target in sorted({*self.booked, *fresh})
            },
        )

    def allows(self, target: str) -> IntervalSet:
        """Instants at which the station may be asked for the target."""
        return self.governed.complement() | self.booked.get(target, EMPTY)


def confirmed_only(
    coverage: Mapping[str, Mapping[str, Coverage]],
    target: str,
    confirmed: Mapping[str, Confirmed],
) -> dict[str, dict[str, Coverage]]:
    """A target's coverage without what stations' schedules do not give it.

    Args:
        coverage: by service, then by station.
        confirmed: by station; of a station that is not in it nothing is taken away.
    """
    allowed = {station: each.allows(target) for station, each in confirmed.items()}
    return {
        service: {
            station: each.within(allowed[station]) if station in allowed else each
            for station, each in stations.items()
        }
        for service, stations in coverage.items()
    }


def time_given(
    target: str,
    stations: Iterable[str],
    allocation: Allocation | None,
    confirmed: Mapping[str, Confirmed],
) -> Granted | None:
    """Antenna time that a target really has, by station; None if every contact is ours.

    What was allocated counts as far as the stations' own schedules allow it; where nothing is
    allocated, whatever they allow does.

    Args:
        stations: names of all that there are.
        allocation: None where station time is not shared.
        confirmed: what stations' schedules say, by station.
    """
    if allocation is None and not confirmed:
        return None
    if allocation is None:
        shared: Granted = dict.fromkeys(stations, IntervalSet.everything())
    else:
        shared = allocation.granted(target)
    return {
        name: given & confirmed[name].allows(target) if name in confirmed else given
        for name, given in shared.items()
    }


def bookings_of(grants: Iterable[Grant]) -> tuple[Booking, ...]:
    """Grants as a schedule's bookings."""
    return tuple(Booking(each.target, each.station, each.start, each.end) for each in grants)
