"""Until when a step can be stopped, and the time in which everyone must keep clear of it.

A command that stops a step is received at r, must be received in a command window, and takes
effect ``takes_effect_s`` later, which must be ``lead_s`` before the expiry. With L the sum of both,
it stops the step wherever its countdown runs at r and its expiry e lies at r + L or later; received
before the start s, it stops nothing. Start and expiry are known within bounds only, so

- a *certain* stop is received at the latest possible start or later, and at (earliest expiry − L)
  or earlier: it works wherever start and expiry lie;
- any other one, received between the earliest start and (latest expiry − L), works for a share of
  the possible expiries: those from r + L on. While r lies before the latest start, only those count
  that certainly follow from a start before r: those until r + the shortest delay.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet, union
from contactd.core.sequences.coverage import Services
from contactd.core.sequences.model import KeepClear, Step, StopChance, StopRule

LightTime = float | Callable[[str, float], float]

COMMAND = "command"
TELEMETRY = "telemetry"
MOST_CHANCES = 8


@dataclass(frozen=True, slots=True)
class StopWindow:
    """The last chance to send a stop that is certain to work.

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


@dataclass(frozen=True, slots=True)
class Run:
    """When the countdown that is to be stopped may run: bounds of its start and its expiry (s).

    Attributes:
        is_plain: the expiry's bounds follow from the start's and the delays' alone. Otherwise
            (readings, holds, power losses …) any start may go with any expiry.
    """

    start_earliest: float
    start_latest: float
    earliest: float
    latest: float
    is_plain: bool = True

    @property
    def shortest_s(self) -> float:
        """From start to expiry at the least, in seconds."""
        return self.earliest - (self.start_earliest if self.is_plain else self.start_latest)

    @property
    def longest_s(self) -> float:
        """From start to expiry at the most, in seconds."""
        return self.latest - (self.start_latest if self.is_plain else self.start_earliest)


def light_time_of(light_time_s: LightTime, station: str, instant: float) -> float:
    """One-way light time (s) from a station at an instant."""
    if callable(light_time_s):
        return light_time_s(station, instant)
    return light_time_s


def stop_windows(
    step: Step,
    run: Run,
    commands: Mapping[str, Coverage],
    light_time_s: LightTime = 0.0,
) -> tuple[StopWindow, ...]:
    """Each station's last window in which a stop that is certain to work can be sent, the last one
    first; none without a rule.

    Args:
        run: of this very step's countdown.
        commands: coverage of the command service by station; only certain coverage counts.
    """
    rule = step.stop
    if rule is None:
        return ()
    limit, not_before = run.earliest - _ahead_s(rule), run.start_latest
    found: list[StopWindow] = []
    for station, coverage in sorted(commands.items()):
        last = coverage.certain.last_until(limit)
        if last is None:
            continue
        opens, closes = last
        at = closes - light_time_of(light_time_s, station, closes)
        opens = max(opens - light_time_of(light_time_s, station, opens), not_before)
        if at >= opens:
            found.append(StopWindow(at, opens, station, step.name, limit))
    return tuple(sorted(found, key=lambda each: -each.at))


def stop_chances(
    step: Step,
    run: Run,
    commands: Mapping[str, Coverage],
    now: float,
    light_time_s: LightTime = 0.0,
) -> tuple[StopChance, ...]:
    """The next command windows in which a stop of this step still catches something, by time.

    Args:
        run: of this very step's countdown.
        commands: coverage of the command service by station; only certain coverage counts.
        now: instant (s); what has passed is no chance.

    Returns:
        At most ``MOST_CHANCES``; each says what a stop catches that is sent at its best moment.
    """
    rule = step.stop
    if rule is None:
        return ()
    ahead_s = _ahead_s(rule)
    found: list[StopChance] = []
    for station, coverage in commands.items():
        first = max(run.start_earliest, now + light_time_of(light_time_s, station, now))
        last = run.latest - ahead_s
        if last <= first:
            continue
        for opens, closes in list(coverage.certain.clip(first, last))[:MOST_CHANCES]:
            moments = opens, min(max(opens, run.start_latest), closes)
            best = max(moments, key=partial(_promise, run, ahead_s))
            share, may_catch = _promise(run, ahead_s, best)
            if may_catch:
                light_s = light_time_of(light_time_s, station, best)
                found.append(
                    StopChance(
                        station, step.name, best - light_s, closes - light_s, best + ahead_s, share
                    )
                )
    return tuple(sorted(found, key=lambda each: (each.opens, each.station))[:MOST_CHANCES])


def _ahead_s(rule: StopRule) -> float:
    """How long before the expiry a stop must have been received."""
    return rule.takes_effect_s + rule.lead_s


def _share(run: Run, ahead_s: float, received: float) -> float:
    """Share (0 to 1) of the possible expiries, taken as uniform, that a stop certainly catches."""
    first, last = max(run.earliest, received + ahead_s), run.latest
    if received < run.start_latest:
        last = min(last, received + run.shortest_s)
    if run.latest <= run.earliest:
        return float(first <= run.earliest and last >= run.latest)
    return max(last - first, 0.0) / (run.latest - run.earliest)


def _promise(run: Run, ahead_s: float, received: float) -> tuple[float, bool]:
    """What a stop certainly catches, and whether it may catch anything at all."""
    return _share(run, ahead_s, received), _may_catch(run, ahead_s, received)


def _may_catch(run: Run, ahead_s: float, received: float) -> bool:
    """Whether there is a start and an expiry within the bounds for which a stop works."""
    last = min(run.latest, max(received, run.start_earliest) + run.longest_s)
    return received >= run.start_earliest and received + ahead_s <= last


def keep_clear_of(step: Step, earliest: float, latest: float) -> tuple[float, float] | None:
    """The time around all possible expiries in which everyone must keep clear.

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
    """First instant after ``latest`` at which a station certainly has the service, and which."""
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
