"""While every error stays within its bounds, no bound ever excludes what really happens.

A spacecraft is simulated: timers that run at a constant but unknown rate, dials that are off,
power losses and holds at moments known only within bounds, readings with errors. The forecast
bounds, from the records alone, must hold the simulated expiries.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.sequences.expiry import Timeline, timeline
from contactd.core.sequences.known import Bounded, Hold, Reading, Seen, SequenceKnowledge
from contactd.core.sequences.model import (
    Clock,
    Delay,
    Sequence,
    Start,
    StartStatus,
    Step,
    TemperatureRate,
    TimerUnit,
)

ROUNDING_S = 1e-4
UNITS = (None, "A", "B")


@dataclass
class Spacecraft:
    """What really is: rates, dial errors, the start, and what befalls the timers."""

    sequence: Sequence
    start: float
    lasting: dict[str | None, float]
    dial_error_s: dict[tuple[str, str | None], float]
    power_losses: list[float] = field(default_factory=list)
    holds: list[tuple[float, float]] = field(default_factory=list)
    expiries: dict[str, float] = field(default_factory=dict)
    origins: dict[str, float] = field(default_factory=dict)
    unit_expiries: dict[tuple[str, str | None], float] = field(default_factory=dict)

    def run(self) -> None:
        for step in self.sequence.steps:
            before = [self.expiries[name] for name in step.after]
            pick = max if step.join == "later" else min
            origin = pick(before) if before else self.start
            self.origins[step.name] = origin
            ends = []
            for unit in step.unit_names:
                end = self.countdown(step, unit, origin)[0]
                self.unit_expiries[step.name, unit] = end
                ends.append(end)
            self.expiries[step.name] = min(ends) if step.units_act == "first" else max(ends)

    def countdown(
        self, step: Step, unit: str | None, origin: float, at: float | None = None
    ) -> tuple[float, float, float]:
        """Expiry; and, at an instant, the remaining and the elapsed onboard seconds."""
        lasts = self.lasting[unit]
        full = step.delay.fixed_s + self.dial_error_s[step.name, unit] / lasts
        resets = self.sequence.clock_of(unit).resets_on_power_loss
        happenings = [(hold[0], "hold", hold[1]) for hold in self.holds]
        happenings += [(loss, "loss", loss) for loss in self.power_losses if resets]
        here, left, shown = origin, full, None
        for begins, what, ends in sorted(happenings):
            if what == "loss" and origin <= begins < here:  # while it was held
                left = full
                if at is not None and begins < at <= here:
                    shown = full
                continue
            if ends < here:
                continue
            moment = max(begins, here)
            if at is not None and shown is None and at <= moment:
                shown = left - (at - here) / lasts
            if moment >= here + left * lasts:
                break
            left -= (moment - here) / lasts
            here = moment
            if what == "loss":
                left = full
            else:
                if at is not None and shown is None and at <= ends:
                    shown = left
                here = ends
        expiry = here + left * lasts
        if at is not None and shown is None:
            shown = left - (at - here) / lasts
        remaining = 0.0 if shown is None else shown
        return expiry, remaining, full - remaining


def some_sequence(rng: random.Random, joins: bool, units: bool) -> Sequence:
    steps: list[Step] = []
    for index in range(rng.randint(1, 4)):
        names = [step.name for step in steps]
        after: tuple[str, ...] = ()
        if names and rng.random() < 0.8:
            count = rng.randint(1, min(2, len(names))) if joins else 1
            after = tuple(rng.sample(names, count))
        timers: tuple[str, ...] = ()
        timer = rng.choice(UNITS) if units else None
        if units and rng.random() < 0.3:
            timers, timer = ("A", "B"), None
        steps.append(
            Step(
                f"step {index}",
                Delay(rng.uniform(0, 40_000), rng.choice([0.0, rng.uniform(0, 200)])),
                after=after,
                join=rng.choice(["later", "earlier"]),
                timer=timer,
                timers=timers,
                units_act=rng.choice(["first", "all"]),
            )
        )

    def clock() -> Clock:
        return Clock(rng.uniform(0, 500), rng.uniform(-500, 500), rng.random() < 0.5)

    middle, half = rng.uniform(0, 1e6), rng.choice([0.0, rng.uniform(0, 2_000)])
    return Sequence(
        "Lantern 3",
        "wake-up",
        tuple(steps),
        start=Start(StartStatus.OBSERVED, middle - half, middle, middle + half),
        clock=clock(),
        units=(TimerUnit("A", clock()), TimerUnit("B", clock())),
    )


def some_spacecraft(rng: random.Random, sequence: Sequence, events: bool) -> Spacecraft:
    assert sequence.start.earliest is not None
    assert sequence.start.latest is not None

    def within(bound: float) -> float:
        return rng.choice([-bound, bound, rng.uniform(-bound, bound)])

    lasting = {}
    for unit in UNITS:
        clock = sequence.clock_of(unit)
        rate = clock.known_rate_ppm + within(clock.rate_error_ppm)
        lasting[unit] = 1 / (1 + 1e-6 * rate)
    ends = sequence.start.earliest, sequence.start.latest
    craft = Spacecraft(
        sequence,
        rng.choice([*ends, rng.uniform(*ends)]),
        lasting,
        {
            (step.name, unit): within(step.delay.error_s)
            for step in sequence.steps
            for unit in step.unit_names
        },
    )
    if events:
        for _ in range(rng.randint(0, 2)):
            craft.power_losses.append(craft.start + rng.uniform(-1_000, 90_000))
        if rng.random() < 0.5:
            begins = craft.start + rng.uniform(-1_000, 60_000)
            craft.holds.append((begins, begins + rng.uniform(0, 20_000)))
    craft.run()
    return craft


def some_knowledge(rng: random.Random, craft: Spacecraft) -> SequenceKnowledge:
    def bounded(moment: float) -> Bounded:
        half = rng.choice([0.0, rng.uniform(0, 300)])
        middle = moment + rng.uniform(-half, half)
        return Bounded(middle - half, middle + half)

    readings = []
    for number in range(rng.randint(0, 6)):
        step = rng.choice(craft.sequence.steps)
        unit = rng.choice(step.unit_names)
        origin, end = craft.origins[step.name], craft.unit_expiries[step.name, unit]
        at = rng.uniform(origin, end)
        _, remaining, elapsed = craft.countdown(step, unit, origin, at)
        error, at_error = rng.choice([0.0, 30.0]), rng.choice([0.0, 10.0])
        off = rng.uniform(-error, error)
        shows_elapsed = rng.random() < 0.4
        readings.append(
            Reading(
                step.name,
                at + rng.uniform(-at_error, at_error),
                remaining_s=None if shows_elapsed else remaining + off,
                elapsed_s=elapsed + off if shows_elapsed else None,
                error_s=error,
                at_error_s=at_error,
                unit=unit if len(step.unit_names) > 1 else None,
                record=number + 1,
            )
        )
    seen = {}
    for step in craft.sequence.steps:
        if rng.random() < 0.2:
            at = craft.expiries[step.name]
            earliest = at - rng.uniform(0, 900) if rng.random() < 0.5 else None
            seen[step.name] = Seen(at + rng.uniform(0, 900), earliest, 100 + len(seen))
    return SequenceKnowledge(
        readings=tuple(readings),
        seen=seen,
        power_losses=tuple(sorted(map(bounded, craft.power_losses), key=lambda b: b.earliest)),
        holds=tuple(Hold(bounded(a), bounded(b)) for a, b in craft.holds),
    )


def assert_holds(line: Timeline, craft: Spacecraft) -> None:
    assert line.conflicts == ()
    assert line.start.earliest is not None
    assert line.start.latest is not None
    assert line.start.earliest - ROUNDING_S <= craft.start <= line.start.latest + ROUNDING_S
    for name, truth in craft.expiries.items():
        expiry = line.expiries[name]
        assert expiry is not None
        assert expiry.earliest - ROUNDING_S <= truth <= expiry.latest + ROUNDING_S, name
        assert expiry.earliest <= expiry.nominal <= expiry.latest


@given(st.integers(0, 2**32))
@settings(max_examples=400, deadline=None)
def test_no_bound_excludes_the_truth_in_chains_with_readings(seed: int) -> None:
    rng = random.Random(seed)
    craft = some_spacecraft(rng, some_sequence(rng, joins=False, units=False), events=False)
    assert_holds(timeline(craft.sequence, some_knowledge(rng, craft)), craft)


@given(st.integers(0, 2**32))
@settings(max_examples=400, deadline=None)
def test_no_bound_excludes_the_truth_with_joins_units_power_losses_and_holds(seed: int) -> None:
    rng = random.Random(seed)
    craft = some_spacecraft(rng, some_sequence(rng, joins=True, units=True), events=True)
    assert_holds(timeline(craft.sequence, some_knowledge(rng, craft)), craft)


@given(st.integers(0, 2**32))
@settings(max_examples=200, deadline=None)
def test_one_more_reading_never_widens_a_bound(seed: int) -> None:
    rng = random.Random(seed)
    craft = some_spacecraft(rng, some_sequence(rng, joins=True, units=True), events=False)
    knowledge = some_knowledge(rng, craft)
    before = timeline(craft.sequence, SequenceKnowledge(readings=knowledge.readings[:-1]))
    after = timeline(craft.sequence, SequenceKnowledge(readings=knowledge.readings))
    for name, old in before.expiries.items():
        new = after.expiries[name]
        assert old is not None
        assert new is not None
        assert new.earliest >= old.earliest - ROUNDING_S
        assert new.latest <= old.latest + ROUNDING_S


@given(st.integers(0, 2**32))
@settings(max_examples=100, deadline=None)
def test_a_temperature_that_changes_the_rate_does_not_exclude_the_truth(seed: int) -> None:
    rng = random.Random(seed)
    table = tuple((temperature, rng.uniform(-80, 20)) for temperature in (-20.0, 0.0, 25.0, 60.0))
    profile = tuple((at, rng.uniform(-30, 70)) for at in (0.0, 30_000.0, 50_000.0, 200_000.0))
    error_c = rng.choice([0.0, 5.0])
    clock = Clock(100.0, 30.0, temperature=TemperatureRate(table, profile, error_c))
    delay_s, start = rng.uniform(1_000, 300_000), rng.uniform(-20_000, 100_000)
    sequence = Sequence(
        "Lantern 3",
        "wake-up",
        (Step("first", Delay(delay_s)),),
        start=Start(StartStatus.OBSERVED, start - 5, start, start + 5),
        clock=clock,
    )
    off_c, constant = rng.uniform(-error_c, error_c), 30.0 + rng.uniform(-100, 100)

    def rate(at: float) -> float:
        return interpolated(table, interpolated(profile, at) + off_c)

    step_s = 50.0
    counted, here = 0.0, start
    while True:  # the midpoint rule, fine enough: the rate's kinks cost below a microsecond a step
        speed = (1 + 1e-6 * constant) * (1 + 1e-6 * rate(here + step_s / 2))
        if counted + speed * step_s >= delay_s:
            break
        counted += speed * step_s
        here += step_s
    truth = here + (delay_s - counted) / speed
    expiry = timeline(sequence, SequenceKnowledge()).expiries["first"]
    assert expiry is not None
    assert expiry.earliest - 0.01 <= truth <= expiry.latest + 0.01


def interpolated(points: tuple[tuple[float, float], ...], at: float) -> float:
    if at <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if at <= x1:
            return y0 + (y1 - y0) * (at - x0) / (x1 - x0)
    return points[-1][1]


def test_a_hold_stops_the_simulated_countdown_as_long_as_it_lasts() -> None:
    sequence = Sequence("Lantern 3", "wake-up", (Step("first", Delay(100.0)),))
    craft = Spacecraft(sequence, 0.0, {None: 1.0}, {("first", None): 0.0}, holds=[(40.0, 70.0)])
    assert craft.countdown(sequence.steps[0], None, 0.0, 50.0) == pytest.approx((130, 60, 40))
