"""Stops against every world: each start and expiry within the bounds, each moment of sending."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.model import Delay, Step, StopRule
from contactd.core.sequences.stopping import Run, stop_chances, stop_windows

RULE = StopRule(lead_s=60.0, takes_effect_s=20.0)
RELEASE = Step("antenna release", Delay(), hazard="deployment", stop=RULE)
AHEAD_S = 80.0
READ_RUNS = st.builds(
    lambda start, wide, delay, error: Run(
        start, start + wide, start + wide + delay, start + wide + delay + error, is_plain=False
    ),
    st.integers(0, 500),
    st.integers(0, 900),
    st.integers(10, 900),
    st.integers(0, 200),
)
"""Runs whose countdown was read: any start goes with any expiry."""
RUNS = st.builds(
    lambda start, wide, delay, error: Run(
        start, start + wide, start + delay, start + wide + delay + error
    ),
    st.integers(0, 500),
    st.integers(0, 900),
    st.integers(10, 900),
    st.integers(0, 200),
)
WINDOWS = st.lists(st.tuples(st.integers(0, 2400), st.integers(20, 600)), min_size=1, max_size=4)


def commands(windows: list[tuple[int, int]]) -> dict[str, Coverage]:
    found = IntervalSet.of((float(first), float(first + size)) for first, size in windows)
    return {"Mesa Roja": Coverage(found, found, found)}


def worlds(run: Run) -> list[tuple[float, float]]:
    """Starts and expiries that the bounds allow, among them all corners."""
    starts = np.linspace(run.start_earliest, run.start_latest, 7)
    if not run.is_plain:
        ends = np.linspace(run.earliest, run.latest, 5)
        return [(float(start), float(end)) for start in starts for end in ends]
    least_s = run.earliest - run.start_earliest
    most_s = run.latest - run.start_latest
    return [
        (float(start), float(start + delay))
        for start in starts
        for delay in np.linspace(least_s, most_s, 5)
    ]


def works(received: float, world: tuple[float, float]) -> bool:
    start, expiry = world
    return start <= received and received + AHEAD_S <= expiry + 1e-9


@settings(max_examples=150, deadline=None)
@given(RUNS | READ_RUNS, WINDOWS)
def test_a_stop_sent_at_the_told_moment_works_in_every_world_and_none_later_does(
    run: Run, windows: list[tuple[int, int]]
) -> None:
    given_commands = commands(windows)
    certain = given_commands["Mesa Roja"].certain
    found = next(iter(stop_windows(RELEASE, run, given_commands)), None)
    everywhere = [
        at
        for first, last in certain
        for at in np.arange(first + 0.25, last, 4.0)
        if all(works(float(at), world) for world in worlds(run))
    ]
    if found is None:
        assert not everywhere
        return
    assert all(works(found.at, world) for world in worlds(run))
    assert found.at >= max(everywhere, default=found.at) - 1e-9


@settings(max_examples=150, deadline=None)
@given(RUNS | READ_RUNS, WINDOWS, st.integers(0, 2500))
def test_no_chance_is_left_out_and_none_is_told_that_catches_nothing(
    run: Run, windows: list[tuple[int, int]], now: int
) -> None:
    given_commands = commands(windows)
    chances = stop_chances(RELEASE, run, given_commands, float(now))
    useful = [
        float(at)
        for first, last in given_commands["Mesa Roja"].certain
        for at in np.arange(max(first, now), last - 1.0, 7.0)
        if any(works(at, each) and works(at + 1.0, each) for each in worlds(run))
    ]
    for chance in chances:
        assert now <= chance.opens <= chance.closes
        assert any(works(chance.opens, world) for world in worlds(run)) or chance.share < 0.2
    if useful:
        assert chances, "a stop would work in some world, and no chance is told"
        assert chances[0].opens <= useful[0] + 1.0 + run.start_latest - run.start_earliest


@settings(max_examples=150, deadline=None)
@given(RUNS | READ_RUNS, WINDOWS, st.integers(0, 2500))
def test_the_told_share_of_the_possible_expiries_is_prevented_in_every_world(
    run: Run, windows: list[tuple[int, int]], now: int
) -> None:
    for chance in stop_chances(RELEASE, run, commands(windows), float(now)):
        last = run.latest
        if chance.opens < run.start_latest:
            last = min(last, chance.opens + run.shortest_s)
        for world in worlds(run):
            if max(run.earliest, chance.catches_from) <= world[1] <= last:
                assert works(chance.opens, world)
        caught = max(last - max(run.earliest, chance.catches_from), 0.0)
        if run.latest > run.earliest:
            assert chance.share == pytest.approx(caught / (run.latest - run.earliest))


def test_a_stop_before_the_latest_start_is_not_certain() -> None:
    run = Run(0.0, 3600.0, 7200.0, 10_860.0)
    assert not stop_windows(RELEASE, run, commands([(600, 600)]))
    (chance,) = stop_chances(RELEASE, run, commands([(600, 600)]), 0.0)
    assert 0 < chance.share < 1
    (after,) = stop_windows(RELEASE, run, commands([(600, 600), (3600, 300)]))
    assert after.at == 3900.0


def test_a_stop_in_a_doubt_of_hours_still_catches_most_expiries() -> None:
    run = Run(0.0, 10.0, 3600.0, 3600.0 + 14_400.0)
    (chance,) = stop_chances(RELEASE, run, commands([(6000, 600)]), 5000.0)
    assert chance.share == pytest.approx((18_000 - 6_080) / 14_400)
    assert chance.catches_from == 6_080.0
