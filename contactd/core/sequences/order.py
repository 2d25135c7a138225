"""The order in which steps follow from each other, and what is wrong with a sequence."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from itertools import pairwise

from contactd.core.errors import InputError, InputErrors
from contactd.core.sequences.model import Clock, Sequence, Setting, Start, Step


def in_order(sequence: Sequence) -> tuple[Step, ...]:
    """Steps so that each comes after those that it counts from; ties in the order of the file.

    Raises:
        InputErrors: if steps form a cycle or name steps that there are not.
    """
    problems = tuple(_structure(sequence))
    if problems:
        raise InputErrors(problems)
    done: dict[str, Step] = {}
    waiting = list(sequence.steps)
    while waiting:
        ready = [step for step in waiting if all(name in done for name in step.after)]
        assert ready, "a cycle must have been reported"
        done |= {step.name: step for step in ready}
        waiting = [step for step in waiting if step.name not in done]
    return tuple(done.values())


def later_steps(sequence: Sequence, name: str) -> frozenset[str]:
    """Names of all steps that follow from the step of that name, at any distance."""
    found: set[str] = set()
    fresh = {name}
    while fresh:
        fresh = {step.name for step in sequence.steps if fresh & set(step.after)} - found
        found |= fresh
    return frozenset(found - {name})


def earlier_steps(sequence: Sequence, name: str) -> frozenset[str]:
    """Names of all steps that the step of that name counts from, at any distance."""
    found: set[str] = set()
    fresh = set(sequence.step(name).after)
    while fresh:
        found |= fresh
        fresh = {each for one in fresh for each in sequence.step(one).after} - found
    return frozenset(found)


def check(sequence: Sequence) -> tuple[InputError, ...]:
    """Everything that is wrong with a sequence as such; keys are such as ``steps[2].after``."""
    return (*_structure(sequence), *_values(sequence))


def _structure(sequence: Sequence) -> Iterator[InputError]:
    names = [step.name for step in sequence.steps]
    if not names:
        yield InputError("at least one step", "none", "steps")
    for index, step in enumerate(sequence.steps):
        key = f"steps[{index}]"
        if step.name in names[:index]:
            yield InputError("a name that no other step has", repr(step.name), f"{key}.name")
        if "/" in step.name or not step.name.strip():
            yield InputError("a name without a slash", repr(step.name), f"{key}.name")
        for other in step.after:
            if other not in names:
                yield _unknown(other, names, f"{key}.after", "'start' or the name of a step")
        condition = step.only_if_seen
        if condition is not None and condition not in names:
            yield _unknown(condition, names, f"{key}.only_if_seen", "the name of a step")
        units = [unit.name for unit in sequence.units]
        for unit in step.unit_names:
            if unit is not None and unit not in units:
                yield _unknown(unit, units, f"{key}.timer", "the name of a timer unit")
    yield from _cycles(sequence)


def _unknown(found: str, names: list[str], key: str, expected: str) -> InputError:
    near = difflib.get_close_matches(found, names, 1)
    there = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(names) or 'none'}"
    return InputError(f"{expected} ({there})", repr(found), key)


def _cycles(sequence: Sequence) -> Iterator[InputError]:
    """One error for each cycle, naming its steps in order."""
    after = {step.name: step.after for step in sequence.steps}
    index = {step.name: number for number, step in enumerate(sequence.steps)}
    settled: set[str] = set()
    for name in after:
        path: list[str] = []
        here: str | None = name
        stack = [(name, iter(after[name]))]
        path.append(name)
        while stack and here is not None:
            step, rest = stack[-1]
            following = next((each for each in rest if each in after), None)
            if following is None:
                settled.add(step)
                stack.pop()
                path.pop()
            elif following in path:
                loop = [*path[path.index(following) :], following]
                chain = " after ".join(repr(each) for each in loop)
                yield InputError(
                    "steps that lead back to the start",
                    f"a cycle: {chain}",
                    f"steps[{index[following]}].after",
                )
                settled |= set(path)
                stack = []
            elif following not in settled:
                stack.append((following, iter(after[following])))
                path.append(following)


def _values(sequence: Sequence) -> Iterator[InputError]:
    yield from _start(sequence.start)
    yield from _clock(sequence.clock, "clock")
    for index, unit in enumerate(sequence.units):
        yield from _clock(unit.clock, f"units[{index}].clock")
        if unit.clock.temperature is not None:
            key = f"units[{index}].clock.temperature"
            yield InputError("the temperature under the sequence's own clock", "one here", key)
        if unit.name in [each.name for each in sequence.units[:index]]:
            key = f"units[{index}].name"
            yield InputError("a name that no other unit has", repr(unit.name), key)
    names = {step.name: step for step in sequence.steps}
    for index, step in enumerate(sequence.steps):
        yield from _step(step, f"steps[{index}]")
        setting = step.delay.setting
        for other, _ in setting.exceeds if setting is not None else ():
            if other not in names or names[other].delay.setting is None:
                key = f"steps[{index}].delay.setting.exceeds"
                yield InputError("a step whose delay is a setting", repr(other), key)


def _start(start: Start) -> Iterator[InputError]:
    if (start.earliest is None) != (start.latest is None):
        yield InputError("both bounds of the start, or neither", "one bound", "start")
    elif (start.earliest or 0.0) > (start.latest or 0.0):
        yield InputError("a time not before the earliest start", "bounds reversed", "start")
    if start.give_or_take_s < 0:
        yield InputError("a duration", f"{start.give_or_take_s:g} s", "start.give_or_take")


def _clock(clock: Clock, key: str) -> Iterator[InputError]:
    if not 0 <= clock.rate_error_ppm < 1e5:
        found = f"{clock.rate_error_ppm:g}"
        yield InputError("a bound from 0 to 100 000 ppm", found, f"{key}.rate_error_ppm")
    if not abs(clock.known_rate_ppm) < 1e5:
        found = f"{clock.known_rate_ppm:g}"
        yield InputError("a rate within 100 000 ppm", found, f"{key}.known_rate_ppm")
    if clock.temperature is None:
        return
    for name, points in (
        ("table", clock.temperature.table),
        ("profile", clock.temperature.profile),
    ):
        first = [point[0] for point in points]
        if not first or any(b <= a for a, b in pairwise(first)):
            found = "nothing" if not first else "points out of order"
            yield InputError("points in ascending order", found, f"{key}.temperature.{name}")


def _step(step: Step, key: str) -> Iterator[InputError]:
    setting, delay = step.delay.setting, step.delay
    if setting is None and not delay.fixed_s >= 0:
        yield InputError("a delay not before zero", f"{delay.fixed_s:g} s", f"{key}.delay")
    if delay.error_bound_s < 0:
        yield InputError("a bound not below zero", f"{delay.error_bound_s:g} s", f"{key}.delay")
    if setting is not None:
        yield from _setting(setting, f"{key}.delay.setting")
    if step.join not in ("later", "earlier"):
        yield InputError("'later' or 'earlier'", repr(step.join), f"{key}.join")
    if step.units_act not in ("first", "all"):
        yield InputError("'first' or 'all'", repr(step.units_act), f"{key}.units_act")
    if step.repeat_every_s is not None and not step.repeat_every_s > 0:
        found = f"{step.repeat_every_s:g} s"
        yield InputError("a period above zero", found, f"{key}.repeat_every")
    if step.repeat_most < 1:
        yield InputError("at least 1", str(step.repeat_most), f"{key}.repeat_most")
    for index, need in enumerate(step.needs):
        if need.before_s < 0 or need.after_s < 0 or need.stations < 1:
            found = f"{need.before_s:g} s, {need.after_s:g} s, {need.stations}"
            expected = "durations not below zero, and at least one station"
            yield InputError(expected, found, f"{key}.needs[{index}]")


def _setting(setting: Setting, key: str) -> Iterator[InputError]:
    if not setting.resolution_s > 0:
        found = f"{setting.resolution_s:g} s"
        yield InputError("a resolution above zero", found, f"{key}.resolution")
        return
    if not 0 <= setting.least_s <= setting.greatest_s:
        found = f"from {setting.least_s:g} s to {setting.greatest_s:g} s"
        yield InputError("a least value from zero up to the greatest", found, f"{key}.from")
        return
    chosen = setting.chosen_s
    if chosen is not None and not setting.allows(chosen):
        expected = (
            f"a value from {setting.least_s:g} s to {setting.greatest_s:g} s in steps of "
            f"{setting.resolution_s:g} s; the nearest is {setting.nearest(chosen):g} s"
        )
        yield InputError(expected, f"{chosen:g} s", f"{key}.chosen")
