"""The order of steps, and sequences that make no sense."""

from __future__ import annotations

from dataclasses import replace

import pytest

from contactd.core.errors import InputErrors
from contactd.core.sequences.model import (
    Clock,
    Delay,
    Need,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
    TemperatureRate,
    TimerUnit,
)
from contactd.core.sequences.order import check, earlier_steps, in_order, later_steps


def chain(*after: tuple[str, tuple[str, ...]]) -> Sequence:
    steps = tuple(Step(name, Delay(fixed_s=60.0), after=names) for name, names in after)
    return Sequence("Lantern 3", "wake-up", steps)


def test_steps_come_after_those_they_count_from() -> None:
    sequence = chain(("c", ("b", "a")), ("b", ("a",)), ("a", ()), ("d", ()))
    assert [step.name for step in in_order(sequence)] == ["a", "d", "b", "c"]
    assert later_steps(sequence, "a") == {"b", "c"}
    assert earlier_steps(sequence, "c") == {"a", "b"}


def test_a_cycle_is_named_step_by_step() -> None:
    sequence = chain(("a", ("c",)), ("b", ("a",)), ("c", ("b",)), ("d", ("c",)))
    with pytest.raises(InputErrors) as caught:
        in_order(sequence)
    (error,) = caught.value.errors
    assert error.found == "a cycle: 'a' after 'c' after 'b' after 'a'"
    assert error.key == "steps[0].after"
    itself = check(chain(("a", ("a",))))
    assert itself[0].found == "a cycle: 'a' after 'a'"


def test_two_cycles_are_two_errors() -> None:
    sequence = chain(("a", ("b",)), ("b", ("a",)), ("c", ("d",)), ("d", ("c",)))
    assert len(check(sequence)) == 2


def faulty(**changes: object) -> Sequence:
    step = replace(Step("a", Delay(fixed_s=60.0)), **changes)  # type: ignore[arg-type]
    return Sequence("Lantern 3", "wake-up", (step,))


@pytest.mark.parametrize(
    ("sequence", "key", "words"),
    [
        (Sequence("Lantern 3", "wake-up", ()), "steps", "at least one step"),
        (chain(("a", ()), ("a", ())), "steps[1].name", "no other step has"),
        (chain(("a/b", ())), "steps[0].name", "without a slash"),
        (chain(("ant", ()), ("b", ("amt",))), "steps[1].after", "did you mean 'ant'?"),
        (faulty(only_if_seen="z"), "steps[0].only_if_seen", "name of a step"),
        (faulty(timer="A"), "steps[0].timer", "timer unit"),
        (faulty(delay=Delay(fixed_s=-1.0)), "steps[0].delay", "not before zero"),
        (
            faulty(delay=Delay(setting=Setting(60.0, 30.0, 10.0))),
            "steps[0].delay.setting.from",
            "up to the greatest",
        ),
        (
            faulty(delay=Delay(setting=Setting(0.0, 60.0, 0.0))),
            "steps[0].delay.setting.resolution",
            "above zero",
        ),
        (
            faulty(delay=Delay(setting=Setting(0.0, 60.0, 10.0, chosen_s=34.0))),
            "steps[0].delay.setting.chosen",
            "the nearest is 30 s",
        ),
        (
            faulty(delay=Delay(setting=Setting(0.0, 60.0, 10.0, exceeds=(("b", 1.0),)))),
            "steps[0].delay.setting.exceeds",
            "delay is a setting",
        ),
        (faulty(join="last"), "steps[0].join", "'later' or 'earlier'"),
        (faulty(units_act="any"), "steps[0].units_act", "'first' or 'all'"),
        (faulty(repeat_every_s=0.0), "steps[0].repeat_every", "above zero"),
        (faulty(repeat_most=0), "steps[0].repeat_most", "at least 1"),
        (faulty(needs=(Need("telemetry", -1.0),)), "steps[0].needs[0]", "not below zero"),
        (
            replace(faulty(), start=Start(StartStatus.EXPECTED, 10.0, None, 5.0)),
            "start",
            "not before the earliest",
        ),
        (replace(faulty(), start=Start(StartStatus.EXPECTED, 10.0)), "start", "both bounds"),
        (replace(faulty(), clock=Clock(-1.0)), "clock.rate_error_ppm", "from 0 to 100 000 ppm"),
        (
            replace(faulty(), units=(TimerUnit("A"), TimerUnit("A"))),
            "units[1].name",
            "no other unit",
        ),
        (
            replace(
                faulty(),
                units=(
                    TimerUnit(
                        "A", Clock(temperature=TemperatureRate(((0.0, 1.0),), ((0.0, 5.0),)))
                    ),
                ),
            ),
            "units[0].clock.temperature",
            "sequence's own clock",
        ),
        (
            replace(
                faulty(),
                clock=Clock(temperature=TemperatureRate(((5.0, 1.0), (0.0, 2.0)), ((0.0, 5.0),))),
            ),
            "clock.temperature.table",
            "ascending order",
        ),
    ],
)
def test_what_makes_no_sense_is_named_with_its_key(
    sequence: Sequence, key: str, words: str
) -> None:
    errors = check(sequence)
    assert [error.key for error in errors] == [key]
    assert words in errors[0].expected


def test_a_sound_sequence_has_no_errors() -> None:
    assert check(chain(("a", ()), ("b", ("a",)))) == ()
