"""Countdowns that begin anew: the truth is never excluded, and the bounds are no wider than it."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.expiry import timeline
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.known import Command, Heard, HeldContact, Reading, SequenceKnowledge
from contactd.core.sequences.model import (
    Clock,
    Covered,
    Delay,
    Event,
    Need,
    Restart,
    Sequence,
    Start,
    StartStatus,
    Step,
)

ROUNDING_S = 1e-4
LOSS = Step("safe mode", Delay(3600.0, 120.0), restart=Restart(("any command",)))
BEACON = Step("beacon", Delay(600.0, 2.0), after=("safe mode",))


def sequence(earliest: float, latest: float, ppm: float = 40.0) -> Sequence:
    start = Start(StartStatus.OBSERVED, earliest, (earliest + latest) / 2, latest)
    events = (Event("any command", commands=()),)
    clock = Clock(rate_error_ppm=ppm)
    return Sequence("Lantern 3", "command loss", (LOSS, BEACON), start, clock, events=events)


def sent(earliest: float, latest: float, heard: Heard, record: int = 1) -> Command:
    return Command((earliest + latest) / 2, "hello", None, "", record, earliest, latest, heard)


class World:
    """What really is: when it started, how the clock runs, and which commands were heard when."""

    def __init__(self, chance: random.Random) -> None:
        pick = chance.uniform
        self.start = pick(0.0, 4000.0)
        wide_s = chance.choice((0.0, pick(0.0, 1500.0)))
        share = chance.random()
        self.sequence = sequence(self.start - share * wide_s, self.start + (1 - share) * wide_s)
        self.lasts = 1.0 / (1.0 + pick(-40e-6, 40e-6))
        self.heard_at: list[float] = []
        commands = []
        for record in range(1, chance.randint(1, 7)):
            at = pick(-1000.0, 16_000.0)
            error_s = chance.choice((0.0, 1.0, 400.0, 2500.0))
            share = chance.random()
            heard = chance.random() < 0.6
            said = chance.choice((Heard.IN_DOUBT, Heard.YES if heard else Heard.NO))
            commands.append(sent(at - share * error_s, at + (1 - share) * error_s, said, record))
            if heard:
                self.heard_at.append(at)
        self.knowledge = SequenceKnowledge(commands=tuple(commands))

    def run(self, chance: random.Random) -> tuple[float, float]:
        """When safe mode and the beacon act, with one draw of the delays' errors."""
        origin = self.start
        while True:
            ends = origin + 3600.0 * self.lasts + chance.uniform(-120.0, 120.0)
            met = [at for at in self.heard_at if origin <= at < ends]
            if not met:
                break
            origin = min(met)
            if self.heard_at.count(origin) and origin == self.start:
                break
            self.heard_at = [at for at in self.heard_at if at > origin]
        return ends, ends + 600.0 * self.lasts + chance.uniform(-2.0, 2.0)


def holds(parts: tuple[tuple[float, float], ...], instant: float) -> bool:
    return any(low - ROUNDING_S <= instant <= high + ROUNDING_S for low, high in parts)


@pytest.mark.parametrize("seed", range(3))
def test_the_truth_is_never_excluded(seed: int) -> None:
    chance = random.Random(seed)
    several = 0
    for _ in range(300):
        world = World(chance)
        line = timeline(world.sequence, world.knowledge)
        for name, acted in zip(("safe mode", "beacon"), world.run(chance), strict=True):
            expiry = line.expiries[name]
            assert expiry is not None
            several += bool(expiry.parts)
            assert holds(expiry.parts or ((expiry.earliest, expiry.latest),), acted), (
                name, acted, expiry, world.knowledge.commands,
            )  # fmt: skip
    assert several > 60


def test_the_bounds_are_reached() -> None:
    """A command in doubt: both ends of both parts come true in some world, to a second."""
    made = sequence(0.0, 60.0)
    known = SequenceKnowledge(commands=(sent(1800.0, 1900.0, Heard.IN_DOUBT),))
    expiry = timeline(made, known).expiries["safe mode"]
    assert expiry is not None
    fast, slow = 3600.0 / (1 + 40e-6), 3600.0 / (1 - 40e-6)
    assert expiry.parts == (
        pytest.approx((0.0 + fast - 120.0, 60.0 + slow + 120.0), abs=ROUNDING_S),
        pytest.approx((1800.0 + fast - 120.0, 1900.0 + slow + 120.0), abs=ROUNDING_S),
    )


def test_a_sure_command_cuts_what_came_before_it() -> None:
    """60 ± 2 min from 0, a sure command at 60 min ± 30 s: it may have come too late."""
    known = SequenceKnowledge(commands=(sent(3570.0, 3630.0, Heard.YES),))
    expiry = timeline(sequence(0.0, 0.0, ppm=0.0), known).expiries["safe mode"]
    assert expiry is not None
    assert expiry.parts == (
        pytest.approx((3480.0, 3630.0), abs=ROUNDING_S),
        pytest.approx((7050.0, 7350.0), abs=ROUNDING_S),
    )


def test_what_was_not_heard_or_came_after_the_expiry_restarts_nothing() -> None:
    alone = timeline(sequence(0.0, 0.0), SequenceKnowledge()).expiries["safe mode"]
    for command in (sent(10.0, 10.0, Heard.NO), sent(5000.0, 5000.0, Heard.YES)):
        known = SequenceKnowledge(commands=(command,))
        assert timeline(sequence(0.0, 0.0), known).expiries["safe mode"] == alone


def test_a_reading_decides_between_the_parts() -> None:
    known = SequenceKnowledge(
        commands=(sent(1800.0, 1800.0, Heard.IN_DOUBT, 1),),
        readings=(Reading("safe mode", 2000.0, remaining_s=3400.0, error_s=30.0, record=2),),
    )
    expiry = timeline(sequence(0.0, 0.0), known).expiries["safe mode"]
    assert expiry is not None
    assert not expiry.parts
    assert expiry.earliest == pytest.approx(5370.0, abs=1.0)
    assert expiry.latest == pytest.approx(5430.0, abs=1.0)


def test_contacts_restart_what_goes_by_them() -> None:
    watch = replace(LOSS, restart=Restart(("contact",)))
    made = replace(
        sequence(0.0, 0.0), steps=(watch,), events=(Event("contact", contacts=("Skerry Head",)),)
    )
    other = SequenceKnowledge(contacts_held=(HeldContact(1000.0, 1002.0, "Mesa Roja", 1),))
    alone = timeline(made, SequenceKnowledge()).expiries["safe mode"]
    assert timeline(made, other).expiries["safe mode"] == alone
    held = SequenceKnowledge(contacts_held=(HeldContact(1000.0, 1002.0, "Skerry Head", 1),))
    expiry = timeline(made, held).expiries["safe mode"]
    assert expiry is not None
    assert expiry.earliest == pytest.approx(1000.0 + 3600.0 / (1 + 40e-6) - 120.0)


def test_the_worst_part_is_the_verdict_and_the_earliest_one_asks_for_the_command() -> None:
    needs = (Need("telemetry"),)
    made = sequence(0.0, 0.0, ppm=0.0)
    loss = replace(made.steps[0], delay=Delay(3600.0), needs=needs)
    made = replace(made, steps=(loss, BEACON))
    known = SequenceKnowledge(commands=(sent(1800.0, 1800.0, Heard.IN_DOUBT),))
    windows = IntervalSet.of([(100.0, 900.0), (2000.0, 2300.0), (4000.0, 9000.0)])
    coverage = Coverage(windows, windows, windows)
    services = {"telemetry": {"Skerry Head": coverage}, "command": {"Skerry Head": coverage}}
    found = forecast(made, known, services, 1900.0, (0.0, 20_000.0))
    step = found.steps[0]
    assert step.parts == ((3600.0, 3600.0), (5400.0, 5400.0))
    assert step.coverage is Covered.UNCOVERED
    assert step.next_command is not None
    assert step.next_command.by == 2300.0
    assert step.next_command.windows_left == 1
    assert step.next_command.last_windows == (("Skerry Head", 2000.0, 2300.0),)
    # The first part is past and nothing was seen: the second one counts.
    later = forecast(made, known, services, 4100.0, (0.0, 20_000.0)).steps[0]
    assert later.next_command is not None
    assert later.next_command.by == 5400.0
