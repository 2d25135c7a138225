"""What an allocation makes of the last moments at which steps can be stopped."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from contactd.core.allocation.request import LATENESS_S
from contactd.core.allocation.result import Allocation, EarlierStop, Grant
from contactd.core.ground.station import Station
from contactd.core.outlook import TargetOutlook
from contactd.core.sequences.model import StepForecast
from contactd.core.sequences.stopping import COMMAND


@dataclass(frozen=True, slots=True)
class Both:
    """A target's outlook as if every contact were its own, and with what was granted."""

    free: TargetOutlook
    granted: TargetOutlook
    light_time_s: float


def earlier_stops(
    made: Allocation, outlooks: Iterable[Both], stations: Mapping[str, Station]
) -> tuple[EarlierStop, ...]:
    """Steps that must be stopped earlier than without the other targets, or cannot be any more.

    What is earlier by no more than ``LATENESS_S`` is passed over.
    """
    found = [each for both in outlooks for each in _of_target(made, both, stations)]
    return tuple(sorted(found, key=lambda each: (each.without, each.target, each.step)))


def _of_target(
    made: Allocation, both: Both, stations: Mapping[str, Station]
) -> Iterator[EarlierStop]:
    for free, granted in zip(both.free.forecasts, both.granted.forecasts, strict=True):
        for before, after in zip(free.steps, granted.steps, strict=True):
            if not before.stop_certain or before.stop_by is None:
                continue
            stop_by = after.stop_by if after.stop_certain else None
            if stop_by is not None and stop_by >= before.stop_by - LATENESS_S:
                continue
            yield EarlierStop(
                target=both.free.target,
                sequence=before.sequence,
                step=before.step,
                without=before.stop_by,
                without_station=before.stop_station or "",
                stop_by=stop_by,
                stop_station=(after.stop_station or "") if stop_by is not None else "",
                hazard=before.hazard is not None,
                people_near=bool(before.people_in_danger),
                to=tuple(_takers(made, both, before, stop_by, stations)),
            )


def _takers(
    made: Allocation,
    both: Both,
    step: StepForecast,
    stop_by: float | None,
    stations: Mapping[str, Station],
) -> Iterator[Grant]:
    """Others' grants in the command window in which the last stop would have been sent."""
    assert step.stop_by is not None
    name = step.stop_station or ""
    coverage = both.free.services.get(COMMAND, {}).get(name)
    received = step.stop_by + both.light_time_s
    window = None if coverage is None else coverage.certain.last_until(received)
    opens = received - LATENESS_S if window is None else window[0]
    begins = opens if stop_by is None else max(opens, min(stop_by, received))
    place = stations.get(name)
    gap_s = place.setup_s + place.teardown_s if place else 0.0
    for grant in made.grants:
        meets = grant.start - gap_s < received and grant.end + gap_s > begins
        if grant.station == name and grant.target != both.free.target and meets:
            yield grant
