"""Readings and sightings as equations: ``start + Σ factor · r = instant``, within bounds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from contactd.core.instants import to_text
from contactd.core.sequences.clocks import ClockScale
from contactd.core.sequences.known import Reading, SequenceKnowledge
from contactd.core.sequences.model import Sequence, Step

Unit = str | None

# No clock that is let in lasts longer than this for one of its seconds (rates below 100 000 ppm).
SLOWEST = 1.3
# More readings than this, the latest, are not looked at: the work grows with their square.
MOST_READINGS = 300


@dataclass(frozen=True, slots=True)
class Evidence:
    """One reading or sighting as an equation.

    Attributes:
        name: for people.
        factors: by unit, onboard seconds from the start until the reading.
        unit: the unit that the reading's own error belongs to.
        first, last: bounds of the instant (on the clock scale); None where open.
        error_s: bound of the reading's error, in seconds of ``unit``.
        slack_s: bound of everything else: errors of delays, wander of the clocks.
        wander_s: the part of the slack that comes from the clocks' wander.
        group: readings of one countdown, which share the delays' errors; None where there are
            none to share.
        reading: what was read; None for a sighting.
    """

    name: str
    record: int
    factors: Mapping[Unit, float]
    unit: Unit
    first: float | None
    last: float | None
    error_s: float = 0.0
    slack_s: float = 0.0
    wander_s: float = 0.0
    group: tuple[str, str] | None = None
    reading: Reading | None = None


def chain_of(sequence: Sequence, step: Step) -> list[Step] | None:
    """The steps from this one back to the start, where each counts once, from one, by one unit."""
    chain = [step]
    while True:
        first = chain[-1]
        if len(first.unit_names) > 1 or len(first.after) > 1 or first.restart is not None:
            return None
        if not first.after:
            return chain
        chain.append(sequence.step(first.after[0]))


def evidence_of(
    sequence: Sequence, knowledge: SequenceKnowledge, scale: ClockScale
) -> list[Evidence]:
    """All evidence that bears on the start and the clocks, in the order of the records."""
    found = [*_readings(sequence, knowledge, scale), *_sightings(sequence, knowledge, scale)]
    return sorted(found, key=lambda each: each.record)


def _readings(
    sequence: Sequence, knowledge: SequenceKnowledge, scale: ClockScale
) -> Iterator[Evidence]:
    names = {step.name for step in sequence.steps}
    for reading in knowledge.readings[-MOST_READINGS:]:
        if reading.step is not None and reading.step not in names:
            continue
        step = None if reading.step is None else sequence.step(reading.step)
        whole = [] if step is None else _chain_by(sequence, step, reading)
        if whole is None:
            continue
        unit = _unit_of(step, reading)
        late = reading.at + reading.at_error_s
        if late >= _disturbed_from(sequence, knowledge, whole, unit):
            continue
        counted = whole if reading.remaining_s is not None else whole[1:]
        phase = _phase(sequence, knowledge, counted, unit)
        if phase is None:
            continue
        factors, slack = phase
        if reading.remaining_s is not None:
            factors[unit] = factors.get(unit, 0.0) - reading.remaining_s
        else:
            factors[unit] = factors.get(unit, 0.0) + (reading.elapsed_s or 0.0)
        wander = scale.wander * sum(abs(each) for each in factors.values()) * SLOWEST
        kind = "remaining" if reading.remaining_s is not None else "elapsed"
        yield Evidence(
            name=f"the reading at {to_text(reading.at, 0)} (record {reading.record})",
            record=reading.record,
            factors=factors,
            unit=unit,
            first=scale.enter(reading.at - reading.at_error_s),
            last=scale.enter(late),
            error_s=reading.error_s,
            slack_s=slack * scale.stretch + wander,
            wander_s=wander,
            group=(f"{reading.step}/{unit}", kind) if slack > 0 else None,
            reading=reading,
        )


def _chain_by(sequence: Sequence, step: Step, reading: Reading) -> list[Step] | None:
    """The chain of a reading's countdown; one of several units of the last step may be read."""
    if step.restart is not None or (len(step.unit_names) > 1 and reading.unit is None):
        return None
    if not step.after:
        return [step]
    if len(step.after) > 1:
        return None
    before = chain_of(sequence, sequence.step(step.after[0]))
    return None if before is None else [step, *before]


def _unit_of(step: Step | None, reading: Reading) -> Unit:
    if reading.unit is not None or step is None:
        return reading.unit
    return step.unit_names[0]


def _sightings(
    sequence: Sequence, knowledge: SequenceKnowledge, scale: ClockScale
) -> Iterator[Evidence]:
    for name, seen in knowledge.seen.items():
        if not any(step.name == name for step in sequence.steps):
            continue
        step = sequence.step(name)
        chain = chain_of(sequence, step)
        # A step that repeats may have been seen on a later act: it says nothing of the first.
        if chain is None or step.repeat_every_s is not None:
            continue
        unit = step.unit_names[0]
        if seen.latest >= _disturbed_from(sequence, knowledge, chain, unit):
            continue
        phase = _phase(sequence, knowledge, chain, unit)
        if phase is None:
            continue
        factors, slack = phase
        wander = scale.wander * sum(factors.values()) * SLOWEST
        yield Evidence(
            name=f"the sighting of {name} by {to_text(seen.latest, 0)} (record {seen.record})",
            record=seen.record,
            factors=factors,
            unit=unit,
            first=None if seen.earliest is None else scale.enter(seen.earliest),
            last=scale.enter(seen.latest),
            slack_s=slack * scale.stretch + wander,
        )


def _phase(
    sequence: Sequence, knowledge: SequenceKnowledge, chain: list[Step], unit: Unit
) -> tuple[dict[Unit, float], float] | None:
    """Onboard seconds by unit through a chain, and the errors of its delays; None if unset."""
    factors: dict[Unit, float] = {}
    slack = 0.0
    for index, each in enumerate(chain):
        setting = each.delay.setting
        delay = each.delay.fixed_s
        if setting is not None:
            chosen = knowledge.settings.get(each.name, setting.chosen_s)
            if chosen is None:
                return None
            delay = chosen
        drives = unit if index == 0 and len(each.unit_names) > 1 else each.unit_names[0]
        factors[drives] = factors.get(drives, 0.0) + delay
        slack += each.delay.error_bound_s
    return factors, slack


def _disturbed_from(
    sequence: Sequence, knowledge: SequenceKnowledge, chain: list[Step], unit: Unit
) -> float:
    """The first instant at which a hold or a power loss may have disturbed a chain."""
    names = {step.name for step in chain}
    units = {unit} | {step.unit_names[0] for step in chain}
    moments = [
        hold.held.earliest for hold in knowledge.holds if hold.step is None or hold.step in names
    ]
    if any(sequence.clock_of(each).resets_on_power_loss for each in units):
        moments += [loss.earliest for loss in knowledge.power_losses]
    return min(moments, default=float("inf"))
