"""The last moment at which a step can be stopped, and the time in which nobody may be near it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet, union
from contactd.core.sequences.coverage import Services
from contactd.core.sequences.model import KeepClear, Step

LightTime = float | Callable[[str, float], float]

COMMAND = "command"
TELEMETRY = "telemetry"


@dataclass(frozen=True, slots=True)
class StopWindow:
    """The last chance to send a stop.

    Attributes:
        at: last instant (s) at which it can be sent.
        opens: when that command window opens (s).
        station: who sends it.
        stops: the step that is stopped: the step itself, or an earlier one that takes it along.
        limit: instant (s) by which the stop must have been received.
    """

    at: float
    opens: float
    station: str
    stops: str
    limit: float


def light_time_of(light_time_s: LightTime, station: str, instant: float) -> float:
    """One-way light time (s) from a station at an instant."""
    if callable(light_time_s):
        return light_time_s(station, instant)
    return light_time_s


def stop_window(
    step: Step,
    earliest: float,
    commands: Mapping[str, Coverage],
    not_before: float,
    light_time_s: LightTime = 0.0,
) -> StopWindow | None:
    """The last window in which a stop of this step can be sent; None if there is none.

    A stop sent at t is received at t + light time, must be received in the command window and
    takes effect ``takes_effect_s`` later; that must be ``lead_s`` before the earliest expiry.

    Args:
        earliest: earliest expiry (instant, s).
        commands: coverage of the command service by station; only certain coverage counts.
        not_before: instant (s) before which nothing runs that could be stopped.
    """
    rule = step.stop
    if rule is None:
        return None
    limit = earliest - rule.takes_effect_s - rule.lead_s
    best: StopWindow | None = None
    for station, coverage in sorted(commands.items()):
        last = coverage.certain.last_until(limit)
        if last is None:
            continue
        opens, closes = last
        at = closes - light_time_of(light_time_s, station, closes)
        opens = max(opens - light_time_of(light_time_s, station, opens), not_before)
        if at >= opens and (best is None or at > best.at):
            best = StopWindow(at, opens, station, step.name, limit)
    return best


def keep_clear_of(step: Step, earliest: float, latest: float) -> tuple[float, float] | None:
    """The time around all possible expiries in which nobody may be near.

    A hazardous step without a rule of its own has the bare interval of its expiry.
    """
    rule = step.keep_clear
    if rule is None:
        if step.hazard is None:
            return None
        rule = KeepClear()
    return earliest - rule.before_s, latest + rule.after_s


def first_confirmation(
    services: Services, latest: float, service: str = TELEMETRY
) -> tuple[float, str] | None:
    """First instant after ``latest`` at which a station surely has the service, and which."""
    best: tuple[float, str] | None = None
    for station, coverage in sorted(services.get(service, {}).items()):
        found = coverage.certain.next_from(latest)
        if found is not None:
            at = max(found[0], latest)
            if best is None or at < best[0]:
                best = at, station
    return best


def longest_silence(
    services: Services, start: float, end: float, span: tuple[float, float]
) -> tuple[float, float] | None:
    """The longest time between ``start`` and ``end`` without any service of any station.

    Only the predicted span is looked at; None where it holds none of that time, or no silence.
    """
    low, high = max(start, span[0]), min(end, span[1])
    if low >= high:
        return None
    seen: IntervalSet = union(
        coverage.certain for stations in services.values() for coverage in stations.values()
    )
    gaps = seen.gaps(low, high)
    if not gaps:
        return None
    index = int(gaps.durations_s.argmax())
    return float(gaps.starts[index]), float(gaps.ends[index])
