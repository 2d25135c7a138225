"""The instants at which a step's needs are met, against a look at each instant by itself."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.coverage import Conditions, view
from contactd.core.sequences.model import Delay, Need, Step
from contactd.core.sequences.needs import DarkStation, InLight, LeastElevation
from contactd.core.sequences.rules import Question, Robust, served_instants

SPAN = (0.0, 1_000.0)


def some_set(rng: random.Random, most: int = 6) -> IntervalSet:
    # Whole seconds, so that looking at half seconds meets no edge.
    count = rng.randint(0, most)
    pairs = [(a, a + rng.randint(1, 200)) for a in (rng.randint(0, 950) for _ in range(count))]
    return IntervalSet.of([(float(a), float(b)) for a, b in pairs]).clip(*SPAN)


def some_services(rng: random.Random) -> dict[str, dict[str, Coverage]]:
    def some() -> Coverage:
        covered = some_set(rng)
        return Coverage(covered, covered, covered)

    return {"telemetry": {f"S{k}": some() for k in range(rng.randint(1, 4))}}


def some_need(rng: random.Random) -> Need:
    return Need(
        "telemetry",
        float(rng.randint(0, 40)),
        float(rng.randint(0, 40)),
        stations=rng.randint(1, 2),
        handover=rng.random() < 0.5,
        sunlit=rng.choice([None, None, True, False]),
        dark_station=rng.random() < 0.3,
    )


def sure(instants: IntervalSet) -> Coverage:
    return Coverage(instants, instants, instants)


def met_at(
    need: Need,
    services: dict[str, dict[str, Coverage]],
    lit: IntervalSet,
    dark: dict[str, IntervalSet],
    instant: float,
) -> bool:
    """Whether a need is met around one instant, looking at every half second by itself."""
    moments = [
        instant - need.before_s + k / 2 for k in range(int(2 * (need.before_s + need.after_s)) + 1)
    ]
    held = {
        name: [
            moment in coverage.certain
            and (need.sunlit is None or (moment in lit) == need.sunlit)
            and (not need.dark_station or moment in dark[name])
            for moment in moments
        ]
        for name, coverage in services["telemetry"].items()
    }
    if need.handover:
        return all(sum(column) >= need.stations for column in zip(*held.values(), strict=True))
    return sum(all(row) for row in held.values()) >= need.stations


@given(st.integers(0, 2**32))
@settings(max_examples=150, deadline=None)
def test_needs_are_met_where_every_moment_around_is_covered(seed: int) -> None:
    rng = random.Random(seed)
    services, need = some_services(rng), some_need(rng)
    lit = some_set(rng, 3) | some_set(rng, 3)
    dark = {name: some_set(rng, 8) for name in services["telemetry"]}
    conditions = Conditions(
        {
            (InLight(True), ""): sure(lit),
            (InLight(False), ""): sure(lit).complement(),
            **{(DarkStation(), name): sure(night) for name, night in dark.items()},
        }
    )
    seen = view((need,), services, SPAN, conditions)
    for _ in range(15):
        # Quarter seconds: the moments looked at lie between the edges of the sets.
        instant = rng.randint(100, 900) + 0.25
        assert (instant in seen.certain) == met_at(need, services, lit, dark, instant)


@given(st.integers(0, 2**32))
@settings(max_examples=100, deadline=None)
def test_a_robust_plan_survives_each_loss_looked_at_by_itself(seed: int) -> None:
    rng = random.Random(seed)
    services = some_services(rng)
    need = Need("telemetry", float(rng.randint(0, 150)), float(rng.randint(0, 150)))
    step = Step("step", Delay(), needs=(need,))
    for robust in (Robust.CONTACT, Robust.STATION):
        expected = view(step.needs, services, SPAN).certain
        for name, coverage in services["telemetry"].items():
            losses = (
                [coverage.certain]
                if robust is Robust.STATION
                else [IntervalSet([a], [b]) for a, b in coverage.certain]
            )
            for lost in losses:
                left = coverage.certain - lost
                fewer = services["telemetry"] | {name: Coverage(left, left, left)}
                expected = expected & view(step.needs, {"telemetry": fewer}, SPAN).certain
        made = served_instants(step, Question(services, SPAN, robust=robust))
        assert made == expected.clip(need.before_s, SPAN[1] - need.after_s)


def test_what_was_not_computed_makes_coverage_possible_and_not_certain() -> None:
    whole = IntervalSet([100.0], [900.0])
    services = {"telemetry": {"Heron": Coverage(whole, whole, whole)}}
    seen = view((Need("telemetry", sunlit=True),), services, SPAN)
    assert not seen.certain
    assert seen.possible == whole
    assert seen.unchecked == (InLight(True),)
    high = Need("telemetry", least_elevation_deg=30.0)
    part = IntervalSet([300.0], [400.0])
    above = Conditions({(LeastElevation(30.0), "Heron"): sure(part)})
    assert view((high,), services, SPAN, above).certain == part
    assert not view((high,), services, SPAN).certain


def test_two_needs_are_met_together_or_not_at_all() -> None:
    early, late = IntervalSet([0.0], [500.0]), IntervalSet([400.0], [900.0])
    services = {
        "telemetry": {"Heron": Coverage(early, early, early)},
        "command": {"Curlew": Coverage(late, late, late)},
    }
    seen = view((Need("telemetry", 10.0), Need("command", 0.0, 20.0)), services, SPAN)
    assert seen.certain == IntervalSet([400.0], [500.0])
    assert seen.before_s == pytest.approx(10.0)
