"""Why a step is not covered, as data: which need fails, what of it, where and until when.

What a need asks is taken apart: its service alone, so many stations, without a change of station,
and each of its conditions by itself. What is at fault is what lessens the covered part of the
possible expiries when it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.coverage import (
    Conditions,
    Services,
    View,
    coverage_for,
    met_by,
)
from contactd.core.sequences.model import Cause, Covered, Need
from contactd.core.sequences.needs import Condition
from contactd.core.sequences.verdict import Verdict

SERVICE, STATIONS, STATION_CHANGE = "service", "stations", "station change"
TOGETHER, ORBIT_ERROR, MANOEUVRE = "together", "orbit error", "manoeuvre"
DEGRADED = "degraded"
ENDS, BEGINS, GAP = "prediction end", "prediction begin", "prediction gap"
OF_THE_PREDICTION = (ENDS, BEGINS, GAP)
MOMENT_S = 1e-3
"""An expiry known exactly is looked at as if it lasted so long."""


def cause_of(
    needs: Sequence[Need],
    services: Services,
    conditions: Conditions,
    view: View,
    verdict: Verdict,
    earliest: float,
    latest: float,
) -> Cause:
    """What the verdict on an expiry between two instants (s) follows from."""
    if verdict.coverage is Covered.COVERED:
        return Cause()
    if not verdict.known:
        return _of_the_prediction(view, earliest, latest)
    span = IntervalSet([earliest], [max(latest, earliest + MOMENT_S)])
    outside_s = max((span - view.possible).total_s - MOMENT_S, 0.0)
    before, after = view.possible.last_until(earliest), view.possible.next_from(latest)
    found = Cause(
        until=None if before is None else before[1],
        since=None if after is None else after[0],
        outside_s=outside_s,
        unchecked=view.unchecked,
    )
    if view.possible.covers(earliest, latest):
        if view.unchecked:
            return replace(
                found,
                lacks=tuple(each.name for each in view.unchecked),
                conditions=view.unchecked,
            )
        degraded = _degraded(view, verdict, conditions, earliest, latest)
        if degraded:
            return replace(found, lacks=(DEGRADED,), stations=degraded)
        return replace(found, lacks=(MANOEUVRE if latest >= view.open_from else ORBIT_ERROR,))
    parts = [
        _Part.of(number, need, services, conditions, span) for number, need in enumerate(needs)
    ]
    worst = min(parts, key=lambda each: each.met_s)
    lacks = worst.lacks
    if verdict.coverage is Covered.AT_RISK and latest >= view.open_from:
        lacks = (*lacks, MANOEUVRE)
    return replace(
        found,
        lacks=lacks or (TOGETHER,),
        need=worst.number,
        conditions=tuple(each for each in worst.need.conditions if each.name in lacks),
        stations=worst.stations,
    )


def _degraded(
    view: View, verdict: Verdict, conditions: Conditions, earliest: float, latest: float
) -> tuple[str, ...]:
    """The stations that could cover an expiry, and are not counted on then."""
    around = (earliest - view.before_s, latest + view.after_s + MOMENT_S)
    return tuple(
        name
        for name in verdict.stations
        if name in conditions.degraded and conditions.degraded[name].meets(*around)
    )


def lacking_conditions(
    need: Need, services: Services, conditions: Conditions, span: IntervalSet
) -> tuple[Condition, ...]:
    """The conditions of a need that lessen what is certainly covered of a span."""
    bare, _ = coverage_for(need, services, conditions, asked=())
    whole_s = _met_s(need, bare, _certain, span)
    return tuple(
        each
        for each in need.conditions
        if _met_s(need, coverage_for(need, services, conditions, asked=(each,))[0], _certain, span)
        < whole_s
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """How much of an expiry's span one need leaves, and what takes the rest."""

    number: int
    need: Need
    met_s: float
    lacks: tuple[str, ...]
    stations: tuple[str, ...]

    @classmethod
    def of(
        cls, number: int, need: Need, services: Services, conditions: Conditions, span: IntervalSet
    ) -> _Part:
        whole, _ = coverage_for(need, services, conditions)
        bare, _ = coverage_for(need, services, conditions, asked=())
        met_s = _met_s(need, whole, _possible, span)
        stations = tuple(
            name
            for name, coverage in bare.items()
            if (span - coverage.certain.shrink(need.before_s, need.after_s)).total_s <= MOMENT_S
        )
        lacks = tuple(name for _, name in sorted(_losses(need, bare, services, conditions, span)))
        return cls(number, need, met_s, lacks, stations)


def _losses(
    need: Need,
    bare: dict[str, Coverage],
    services: Services,
    conditions: Conditions,
    span: IntervalSet,
) -> Iterator[tuple[float, str]]:
    """(Seconds that are left with it, what is at fault), for all that takes any."""
    lenient = replace(need, stations=1, handover=True)
    anyone_s = _met_s(lenient, bare, _possible, span)
    if anyone_s < span.total_s - MOMENT_S / 2:
        yield anyone_s, SERVICE
    for fault, stricter in (
        (STATIONS, replace(lenient, stations=need.stations)),
        (STATION_CHANGE, replace(lenient, handover=need.handover)),
    ):
        left_s = _met_s(stricter, bare, _possible, span)
        if left_s < anyone_s:
            yield left_s, fault
    for each in need.conditions:
        limited, _ = coverage_for(need, services, conditions, asked=(each,))
        left_s = _met_s(lenient, limited, _possible, span)
        if left_s < anyone_s:
            yield left_s, each.name


def _met_s(
    need: Need,
    coverage: dict[str, Coverage],
    pick: Callable[[Coverage], IntervalSet],
    span: IntervalSet,
) -> float:
    """How many seconds of a span are covered for a need."""
    return (met_by(need, [pick(each) for each in coverage.values()]) & span).total_s


def _possible(coverage: Coverage) -> IntervalSet:
    return coverage.possible


def _certain(coverage: Coverage) -> IntervalSet:
    return coverage.certain


def _of_the_prediction(view: View, earliest: float, latest: float) -> Cause:
    """That nothing is known of the motion when it matters, and from when until when."""
    if not view.known:
        return Cause(lacks=(ENDS,))
    first, last = float(view.known.starts[0]), float(view.known.ends[-1])
    if latest >= last:
        return Cause(lacks=(ENDS,), until=last + view.after_s)
    if earliest < first:
        return Cause(lacks=(BEGINS,), since=first - view.before_s)
    unknown = view.known.complement().next_from(
        float(view.known.gaps(earliest, latest + MOMENT_S).starts[0])
    )
    assert unknown is not None
    return Cause(lacks=(GAP,), until=unknown[0] + view.after_s, since=unknown[1] - view.before_s)
