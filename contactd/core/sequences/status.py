"""What each step is doing now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from contactd.core.instants import to_text
from contactd.core.sequences.clocks import rate_limits
from contactd.core.sequences.expiry import Expiry, Timeline
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence, StartStatus, Step, StepStatus
from contactd.core.sequences.order import in_order
from contactd.core.sequences.verdict import duration_text


@dataclass(frozen=True, slots=True)
class Standing:
    """A step's status, the expiry that counts now, and why.

    Attributes:
        expiry: the next act of a step that repeats; else its only one.
        later_acts: (earliest, latest) of the acts after that.
    """

    status: StepStatus
    expiry: Expiry | None
    reasons: tuple[str, ...] = ()
    later_acts: tuple[tuple[float, float], ...] = ()


def standings(
    sequence: Sequence, knowledge: SequenceKnowledge, line: Timeline, now: float
) -> Mapping[str, Standing]:
    """The standing of every step at ``now``."""
    found: dict[str, Standing] = {}
    for step in in_order(sequence):
        found[step.name] = _standing(sequence, knowledge, line, now, step, found)
    return found


def _standing(
    sequence: Sequence,
    knowledge: SequenceKnowledge,
    line: Timeline,
    now: float,
    step: Step,
    before: Mapping[str, Standing],
) -> Standing:
    expiry = line.expiries[step.name]
    seen = knowledge.seen.get(step.name)
    if seen is not None:
        text = f"seen by {to_text(seen.latest, 0)} (record {seen.record})"
        return Standing(StepStatus.SEEN, expiry, (text,))
    if step.name in knowledge.inert_steps:
        return Standing(StepStatus.STOPPED, None, ("an operator ruled that it did not act",))
    over = _ended(knowledge, line, step, expiry)
    if over is not None:
        return over
    withheld = _withheld(sequence, knowledge, step, before)
    if withheld is not None:
        return Standing(StepStatus.STOPPED, None, (withheld,))
    if expiry is None:
        return Standing(StepStatus.UNSET, None, (line.unset[step.name],))
    if expiry.held_left_s is not None:
        least, most = expiry.held_left_s
        text = f"held with {duration_text(least)} to {duration_text(most)} left"
        return Standing(StepStatus.HELD, expiry, (text,))
    return _by_time(sequence, knowledge, line, now, step, expiry)


def _ended(
    knowledge: SequenceKnowledge, line: Timeline, step: Step, expiry: Expiry | None
) -> Standing | None:
    """The standing where the start was refuted, or the sequence or the step was stopped."""
    start = line.start
    if start.status is StartStatus.REFUTED:
        text = f"the start was refuted (record {start.record})"
        return Standing(StepStatus.STOPPED, None, (text,))
    stopped_at = knowledge.stopped_steps.get(step.name)
    if start.status is StartStatus.STOPPED and start.stopped_at is not None:
        stopped_at = min(stopped_at or start.stopped_at, start.stopped_at)
    if stopped_at is None:
        return None
    if expiry is None or expiry.earliest > stopped_at:
        return Standing(StepStatus.STOPPED, None, (f"stopped at {to_text(stopped_at, 0)}",))
    if expiry.latest <= stopped_at:
        return Standing(StepStatus.EXPIRED, expiry, ("it expired before the stop",))
    cut = replace(expiry, latest=stopped_at, nominal=min(expiry.nominal, stopped_at))
    text = f"it may have acted before the stop at {to_text(stopped_at, 0)}"
    return Standing(StepStatus.EXPIRED, cut, (text,))


def _withheld(
    sequence: Sequence, knowledge: SequenceKnowledge, step: Step, before: Mapping[str, Standing]
) -> str | None:
    """Why a step will not act because of what became of others; None if it may act."""
    condition = step.only_if_seen
    if condition is not None and condition not in knowledge.seen:
        not_seen = knowledge.not_seen.get(condition)
        if not_seen is not None and not_seen.refutes:
            return f"it acts only if {condition} is seen, which was not (record {not_seen.record})"
        if condition in before and before[condition].status is StepStatus.STOPPED:
            return f"it acts only if {condition} is seen, which will not act"
    gone = [name for name in step.after if _takes_along(sequence, before[name], name)]
    if gone and (step.join == "later" or len(gone) == len(step.after)):
        return f"it counts from {gone[0]}, which will not act"
    return None


def _takes_along(sequence: Sequence, standing: Standing, name: str) -> bool:
    if standing.status is not StepStatus.STOPPED:
        return False
    rule = sequence.step(name).stop
    return rule is None or rule.stops_later_steps


def _by_time(
    sequence: Sequence,
    knowledge: SequenceKnowledge,
    line: Timeline,
    now: float,
    step: Step,
    expiry: Expiry,
) -> Standing:
    acts = _acts(sequence, step, expiry)
    index = next((i for i, act in enumerate(acts) if act.latest >= now), len(acts) - 1)
    act, later = acts[index], tuple((each.earliest, each.latest) for each in acts[index + 1 :])
    reasons: list[str] = []
    if len(acts) > 1:
        reasons.append(f"act {index + 1} of {len(acts)}: it repeats until it is seen")
    if line.start.status is StartStatus.IN_DOUBT:
        reasons.append("it is not known whether the sequence started; it is treated as running")
    elif line.start.status is StartStatus.EXPECTED and (line.start.latest or 0.0) < now:
        reasons.append("the planned start has passed and no record says whether it happened")
    if step.only_if_seen is not None and step.only_if_seen not in knowledge.seen:
        reasons.append(f"it acts only if {step.only_if_seen} is seen, which has not been yet")
    for command in knowledge.commands:
        if command.command == "stop" and command.step in (None, step.name):
            reasons.append(
                f"a stop was sent at {to_text(command.at, 0)} (record {command.record}); until it "
                "is confirmed, the step counts as running"
            )
    not_seen = knowledge.not_seen.get(step.name)
    if not_seen is not None:
        span = f"{to_text(not_seen.start, 0)} to {to_text(not_seen.end, 0)}"
        reasons.append(f"watched for from {span} and not seen (record {not_seen.record})")
    if now > act.latest:
        status = StepStatus.EXPIRED
    elif now >= act.earliest:
        status = StepStatus.EXPIRING
    elif line.start.status is StartStatus.EXPECTED:
        status = StepStatus.PLANNED
    else:
        status = StepStatus.RUNNING
    return Standing(status, act, tuple(reasons), later)


def _acts(sequence: Sequence, step: Step, expiry: Expiry) -> list[Expiry]:
    """The step's acts in order: one, or as many as it repeats."""
    if step.repeat_every_s is None:
        return [expiry]
    limits = [rate_limits(sequence.clock_of(unit)) for unit in step.unit_names]
    low, high = min(each[0] for each in limits), max(each[1] for each in limits)
    return [
        replace(
            expiry,
            earliest=expiry.earliest + count * step.repeat_every_s * low,
            nominal=expiry.nominal + count * step.repeat_every_s * (low + high) / 2,
            latest=expiry.latest + count * step.repeat_every_s * high,
        )
        for count in range(step.repeat_most)
    ]
