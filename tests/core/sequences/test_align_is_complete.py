"""Alignment finds exactly what an exhaustive search over all settings finds.

The exhaustive search goes through every setting of every dial, works out each step's bounds by
itself, and intersects the feasible starts with plain loops. Thousands of small random problems:
chains and trees, steps after the later or earlier of two, several timer units, repeated steps,
distances between dials, people nearby, needs by several stations, with and without handover.
"""

from __future__ import annotations

import random
from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.align import Rank, Robust, align, remaining_starts
from contactd.core.sequences.expiry import timeline
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import (
    Clock,
    Covered,
    Delay,
    KeepClear,
    Need,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
    TimerUnit,
)
from contactd.core.sequences.problem import build
from contactd.core.sequences.rules import Question, rules
from contactd.core.sequences.search import Found, Search

Pairs = list[tuple[float, float]]
SPAN = (0.0, 40_000.0)
CLOSE_S = 1e-4
MOST_COMBINATIONS = 120


# The exhaustive search.


def merged(pairs: Pairs) -> Pairs:
    found: Pairs = []
    for start, end in sorted(pair for pair in pairs if pair[1] > pair[0]):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        else:
            found.append((start, end))
    return found


def common(one: Pairs, other: Pairs) -> Pairs:
    both = [(max(a, c), min(b, d)) for a, b in one for c, d in other]
    return [pair for pair in both if pair[1] > pair[0]]


def covered_by(count: int, sets: list[Pairs]) -> Pairs:
    edges = sorted({edge for pairs in sets for pair in pairs for edge in pair})
    good = [
        (a, b)
        for a, b in pairwise(edges)
        if sum(any(c <= a and b <= d for c, d in pairs) for pairs in sets) >= count
    ]
    return merged(good)


def shrunk(pairs: Pairs, before: float, after: float) -> Pairs:
    return [(a + before, b - after) for a, b in pairs if b - after > a + before]


def served_at(step: Step, services: dict[str, dict[str, Coverage]], gone: str = "") -> Pairs:
    whole: Pairs = [(-1e9, 1e9)]
    for need in step.needs:
        sets = [
            list(coverage.certain)
            for name, coverage in services.get(need.service, {}).items()
            if name != gone
        ]
        if need.handover:
            met = shrunk(covered_by(need.stations, sets), need.before_s, need.after_s)
        else:
            each = [shrunk(pairs, need.before_s, need.after_s) for pairs in sets]
            met = covered_by(need.stations, each)
        whole = common(whole, met)
    return whole


def lasts(sequence: Sequence, unit: str | None) -> tuple[float, float]:
    clock = sequence.clock_of(unit)
    fast = 1e-6 * (clock.known_rate_ppm + clock.rate_error_ppm)
    slow = 1e-6 * (clock.known_rate_ppm - clock.rate_error_ppm)
    return 1 / (1 + fast), 1 / (1 + slow)


def bounds(sequence: Sequence, chosen: dict[str, float]) -> dict[str, tuple[float, float]]:
    """Expiry bounds relative to the start, straight from the definitions."""
    half = sequence.start.give_or_take_s
    found: dict[str, tuple[float, float]] = {}
    for step in sequence.steps:
        pick = max if step.join == "later" else min
        low = pick([found[name][0] for name in step.after] or [-half])
        high = pick([found[name][1] for name in step.after] or [half])
        delay = chosen.get(step.name, step.delay.fixed_s)
        error = step.delay.error_bound_s
        rates = [lasts(sequence, unit) for unit in step.unit_names]
        act = min if step.units_act == "first" else max
        low += act(delay * rate[0] for rate in rates) - error
        high += act(delay * rate[1] for rate in rates) + error
        found[step.name] = low, high
    return found


def rules_by_hand(
    sequence: Sequence, services: dict[str, dict[str, Coverage]], robust: Robust
) -> list[tuple[Step, Pairs]]:
    rules: list[tuple[Step, Pairs]] = []
    for step in sequence.steps:
        acts = range(step.repeat_most if step.repeat_every_s else 1)
        rates = [lasts(sequence, unit) for unit in step.unit_names]
        low, high = min(rate[0] for rate in rates), max(rate[1] for rate in rates)
        every = step.repeat_every_s or 0.0
        if step.needs:
            met = served_at(step, services)
            if robust is Robust.STATION:
                for name in sorted({name for each in services.values() for name in each}):
                    met = common(met, served_at(step, services, name))
            any_act = [(a - k * every * low, b - k * every * high) for k in acts for a, b in met]
            rules.append((step, merged(any_act)))
        if sequence.people_near and (step.hazard or step.keep_clear):
            clear = step.keep_clear or KeepClear()
            free: Pairs = [(-1e9, 1e9)]
            for k in acts:
                edges = [-1e9]
                for a, b in sequence.people_near:
                    edges += [a - clear.after_s, b + clear.before_s]
                pieces = merged(list(zip(edges[::2], [*edges[1::2], 1e9], strict=True)))
                if len(edges) > 3 and any(x >= y for x, y in pairwise(edges)):
                    pieces = apart(sequence, clear)
                free = common(
                    free, [(a - k * every * low, b - k * every * high) for a, b in pieces]
                )
            rules.append((step, free))
    return rules


def apart(sequence: Sequence, clear: KeepClear) -> Pairs:
    """What is left of the time line without the people, grown by the keep-clear."""
    near = merged([(a - clear.after_s, b + clear.before_s) for a, b in sequence.people_near])
    edges = [-1e9, *(edge for pair in near for edge in pair), 1e9]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]


def exhaustive(
    sequence: Sequence,
    services: dict[str, dict[str, Coverage]],
    starts: Pairs,
    robust: Robust = Robust.NOTHING,
) -> list[tuple[float, float, float]]:
    """(margin, finish, first) of every component of feasible starts, over all settings."""
    dials = [step for step in sequence.steps if step.delay.setting]
    values = []
    for step in dials:
        setting = step.delay.setting
        assert setting is not None
        values.append([setting.least_s + k * setting.resolution_s for k in range(setting.count)])
    rules = rules_by_hand(sequence, services, robust)
    found = []
    for combination in product(*values):
        chosen = dict(zip([step.name for step in dials], combination, strict=True))
        if not all(
            chosen[step.name] >= chosen[other] + by - 1e-6
            for step in dials
            for other, by in step.delay.setting.exceeds  # type: ignore[union-attr]
        ):
            continue
        offsets = bounds(sequence, chosen)
        good = starts
        for step, pairs in rules:
            low, high = offsets[step.name]
            good = common(good, [(a - low, b - high) for a, b in pairs])
        tail = max(high for _, high in offsets.values())
        for first, last in good:
            found.append(((last - first) / 2, (first + last) / 2 + tail, first))
    return found


# Random problems.


def some_services(rng: random.Random, stations: int) -> dict[str, dict[str, Coverage]]:
    services: dict[str, dict[str, Coverage]] = {"telemetry": {}, "command": {}}
    for number in range(stations):
        at, pairs = rng.uniform(0, 4_000), []
        while at < SPAN[1]:
            length = rng.uniform(50, 900)
            pairs.append((at, at + length))
            at += length + rng.uniform(200, 9_000)
        nominal = IntervalSet.of(pairs).clip(*SPAN)
        error = rng.choice([0.0, 5.0])
        whole = Coverage(nominal, nominal.shrink(error, error), nominal.grow(error, error))
        services["telemetry"][f"S{number}"] = whole
        if rng.random() < 0.8:
            part = nominal.shrink(20, 10)
            services["command"][f"S{number}"] = Coverage(part, part, part)
    return services


def some_sequence(rng: random.Random) -> Sequence:
    steps: list[Step] = []
    dials = 0
    product_so_far = 1
    for index in range(rng.randint(1, 5)):
        names = [step.name for step in steps]
        after: tuple[str, ...] = ()
        if names and rng.random() < 0.85:
            after = tuple(rng.sample(names, rng.choice([1, 1, 1, min(2, len(names))])))
        delay = Delay(rng.uniform(0, 6_000), rng.choice([0.0, 5.0]))
        count = rng.randint(1, 12)
        if dials < 3 and product_so_far * count <= MOST_COMBINATIONS and rng.random() < 0.7:
            dials += 1
            product_so_far *= count
            tick = rng.choice([60.0, 300.0, 1_000.0])
            least = rng.choice([0.0, 120.0, 1_800.0])
            exceeds = ()
            others = [step.name for step in steps if step.delay.setting]
            if others and rng.random() < 0.3:
                exceeds = ((rng.choice(others), rng.choice([0.0, 300.0])),)
            setting = Setting(
                least, least + (count - 1) * tick, tick, rng.choice([0.0, 3.0]), exceeds=exceeds
            )
            delay = Delay(setting=setting)
        needs: tuple[Need, ...] = ()
        if rng.random() < 0.7:
            needs = tuple(
                Need(
                    rng.choice(["telemetry", "command"]),
                    rng.uniform(0, 60),
                    rng.uniform(0, 120),
                    stations=rng.choice([1, 1, 1, 2]),
                    handover=rng.random() < 0.5,
                )
                for _ in range(rng.choice([1, 1, 2]))
            )
        hazard = "motor" if rng.random() < 0.3 else None
        repeats = rng.random() < 0.15
        units = rng.choice([(), (), (), ("A", "B")])
        steps.append(
            Step(
                f"step {index}",
                delay,
                after=after,
                join=rng.choice(["later", "earlier"]),
                needs=needs,
                hazard=hazard,
                keep_clear=KeepClear(60.0, 300.0) if hazard else None,
                repeat_every_s=1_500.0 if repeats else None,
                repeat_most=3 if repeats else 1,
                timer=None if units else rng.choice([None, None, "A"]),
                timers=units,
                units_act=rng.choice(["first", "all"]),
            )
        )
    people = []
    if rng.random() < 0.4:
        people = [
            (at, at + rng.uniform(100, 6_000)) for at in rng.sample(range(0, 40_000, 9_000), 2)
        ]

    def clock() -> Clock:
        return Clock(rng.choice([0.0, 50.0, 2_000.0]), rng.choice([0.0, 300.0]))

    return Sequence(
        "Lantern 3",
        "wake-up",
        tuple(steps),
        start=Start(StartStatus.PENDING, give_or_take_s=rng.choice([0.0, 10.0])),
        clock=clock(),
        people_near=IntervalSet.of(people),
        units=(TimerUnit("A", clock()), TimerUnit("B", clock())),
    )


def some_starts(rng: random.Random) -> Pairs:
    if rng.random() < 0.4:
        return [SPAN]
    at = rng.uniform(0, 20_000)
    pairs = [(at, at + rng.uniform(50, 6_000))]
    if rng.random() < 0.5:
        pairs.append((pairs[0][1] + 1_000, pairs[0][1] + 1_500))
    return pairs


def searched(
    sequence: Sequence,
    services: dict[str, dict[str, Coverage]],
    starts: Pairs,
    robust: Robust = Robust.NOTHING,
    **how: object,
) -> list[Found]:
    question = Question(services, SPAN, robust=robust)
    problem = build(
        sequence,
        IntervalSet.of(starts),
        rules(sequence, question),
        {},
        sequence.start.give_or_take_s,
    )
    outcome = Search(problem, **how).run()  # type: ignore[arg-type]
    assert outcome.complete
    return list(outcome.options)


@given(st.integers(0, 2**32))
@settings(max_examples=2_000, deadline=None)
def test_margins_equal_those_of_an_exhaustive_search(seed: int) -> None:
    rng = random.Random(seed)
    sequence, services = some_sequence(rng), some_services(rng, rng.randint(1, 3))
    starts = some_starts(rng)
    robust = rng.choice([Robust.NOTHING, Robust.NOTHING, Robust.STATION])
    expected = sorted(each[0] for each in exhaustive(sequence, services, starts, robust))[::-1]
    expected = [margin for margin in expected if margin > 1e-5]
    made = searched(sequence, services, starts, robust, most=4)
    assert bool(made) == bool(expected)
    if not expected:
        return
    assert made[0].margin_s == pytest.approx(expected[0], abs=CLOSE_S)
    # Where a dial changes nothing the search fixes it, so only the best need be as many.
    dials = {step.name for step in sequence.steps if step.delay.setting}
    if dials <= {step.name for step, _ in rules_by_hand(sequence, services, robust)}:
        best = [found.margin_s for found in made]
        assert best == pytest.approx(expected[: len(best)], abs=CLOSE_S)
        assert len(best) == min(4, len(expected))


@given(st.integers(0, 2**32))
@settings(max_examples=500, deadline=None)
def test_the_earliest_finish_equals_that_of_an_exhaustive_search(seed: int) -> None:
    rng = random.Random(seed)
    sequence, services = some_sequence(rng), some_services(rng, rng.randint(1, 3))
    starts, least = some_starts(rng), rng.choice([0.0, 20.0])
    expected = [
        finish
        for margin, finish, _ in exhaustive(sequence, services, starts)
        if margin > max(least, 1e-5)
    ]
    made = searched(sequence, services, starts, rank=Rank.FINISH, least_margin_s=least, most=3)
    assert bool(made) == bool(expected)
    if expected:
        assert made[0].finish == pytest.approx(min(expected), abs=CLOSE_S)


@given(st.integers(0, 2**32))
@settings(max_examples=100, deadline=None)
def test_every_option_is_served_wherever_it_may_start(seed: int) -> None:
    rng = random.Random(seed)
    sequence, services = some_sequence(rng), some_services(rng, 3)
    made = align(sequence, services, SPAN, most=2, explain=False)
    for option in made.options:
        for start in (option.start_from, option.best_start, option.start_until):
            half = sequence.start.give_or_take_s
            begun = Start(StartStatus.EXPECTED, start - half, start, start + half)
            known = SequenceKnowledge(start=begun, settings=option.settings)
            line = timeline(sequence, known)
            for step, pairs in rules_by_hand(sequence, services, Robust.NOTHING):
                expiry = line.expiries[step.name]
                assert expiry is not None
                assert any(
                    a - CLOSE_S <= expiry.earliest and expiry.latest <= b + CLOSE_S
                    for a, b in pairs
                )
        for planned in option.steps:
            step = sequence.step(planned.step)
            if step.needs and not step.repeat_every_s:
                assert planned.coverage is Covered.COVERED
            assert not planned.people_in_danger
        left = remaining_starts(sequence, services, SPAN, option.settings)
        assert left.covers(option.start_from + CLOSE_S, option.start_until - CLOSE_S)
