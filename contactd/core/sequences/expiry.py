"""When each step's countdown expires: worst-case bounds and a nominal value.

For a chain, the expiry is ``start + Σ delay / (1 + rate) + Σ error``. It rises with the start, with
every delay error and with the slowness of every clock, and so do the later and the earlier of
several expiries. Hence for a given start the bounds are found by putting each clock at its bound
for that start; and over all starts, by the extremes of a piecewise linear function, at its knots.

Delays are elapsed SI seconds: a countdown of 86 400 s that runs across a leap second expires
86 400 s after its start, at a second less by the clock on the wall.

A setting that is not known may be any in its range: where the sequence runs, or may run, the bounds
hold for all of them; where it is only planned, none are given.

A countdown that is begun anew by what comes from outside (a command that is heard) may expire in
several parts, of which only one is true; whatever counts from it has the same parts.

Events aboard (a power loss that sets countdowns back, a hold) are applied in order of time. Where
it cannot be told whether an event met a countdown, the bounds cover both cases.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import product

from contactd.core.sequences.clocks import ClockScale
from contactd.core.sequences.countdown import Countdown, Span
from contactd.core.sequences.curves import Curve
from contactd.core.sequences.knowledge import joined, planned_after
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence, Start, StartStatus, Step
from contactd.core.sequences.order import in_order
from contactd.core.sequences.readings import Estimate, estimate
from contactd.core.sequences.restarts import known_between, occurrences
from contactd.core.sequences.restarts import parts_of as restarted_parts

MOST_PARTS = 64
"""More parts of one expiry than this are looked at as one."""


@dataclass(frozen=True, slots=True)
class Expiry:
    """Bounds (instants, s) of a step's expiry.

    Attributes:
        held_left_s: (least, greatest) seconds that are left while it is held, else None; the
            bounds then say when it would act if it were resumed at the moment of the hold.
        readings: numbers of the records whose readings narrowed it.
        parts: (earliest, latest) of each part that is possible, where there is more than one.
    """

    earliest: float
    nominal: float
    latest: float
    held_left_s: tuple[float, float] | None = None
    readings: tuple[int, ...] = ()
    parts: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Timeline:
    """What follows from a sequence and what is known of it.

    Attributes:
        start: as readings and sightings leave it.
        expiries: by step; None where no expiry can be given.
        unset: by step, why no expiry can be given.
        conflicts: what contradicts what, in words.
        estimate: start and clocks as the evidence leaves them; None without bounds of the start.
    """

    start: Start
    expiries: Mapping[str, Expiry | None]
    unset: Mapping[str, str]
    conflicts: tuple[str, ...] = ()
    estimate: Estimate | None = None


def delay_of(step: Step, knowledge: SequenceKnowledge) -> float | None:
    """Seconds on the step's setting, or of its fixed delay; None while a setting is not chosen."""
    setting = step.delay.setting
    if setting is None:
        return step.delay.fixed_s
    return knowledge.settings.get(step.name, setting.chosen_s)


def delay_range(
    sequence: Sequence, step: Step, knowledge: SequenceKnowledge
) -> tuple[float, float]:
    """(least, greatest) seconds that a step's delay may be, each error aside.

    The same twice for a fixed delay and a known setting. One that is not known may be any that its
    range and the rules between settings leave: a value that must exceed another step's by so much
    is at least that much above the other's least.
    """
    known = delay_of(step, knowledge)
    if known is not None:
        return known, known
    ranges: dict[str, tuple[float, float]] = {}
    for each in sequence.steps:
        dial = each.delay.setting
        if dial is not None:
            value = delay_of(each, knowledge)
            whole = (dial.least_s, dial.greatest_s)
            ranges[each.name] = whole if value is None else (value, value)
    # As often as there are settings: a rule may follow from another one.
    for _ in ranges:
        for each in sequence.steps:
            for name, more_s in each.delay.setting.exceeds if each.delay.setting else ():
                least, most = ranges[each.name]
                low, high = ranges[name]
                ranges[each.name] = min(max(least, low + more_s), most), most
                ranges[name] = low, max(min(high, most - more_s), low)
    return ranges[step.name]


def known_start(sequence: Sequence, knowledge: SequenceKnowledge) -> Start:
    """The start as the records have it; what they do not say of it, as it is configured.

    Beside attempts of which it is not known whether they started the sequence, a configured start
    that was observed stands, and one in doubt is joined. One that is planned waits for the attempts
    to be decided.
    """
    start, configured = knowledge.start, sequence.start
    if start is None:
        return _configured(sequence, knowledge)
    if knowledge.attempts and knowledge.attempted_over is None:
        return _beside_attempts(start, _configured(sequence, knowledge), configured)
    if start.status is StartStatus.REFUTED and knowledge.attempts_refuted_at is not None:
        return planned_after(configured, knowledge.attempts_refuted_at) or start
    if start.earliest is not None or configured.earliest is None:
        return start
    return replace(
        start, earliest=configured.earliest, nominal=configured.nominal, latest=configured.latest
    )


def _configured(sequence: Sequence, knowledge: SequenceKnowledge) -> Start:
    """The configured start, where the records end a doubt of it that they did not know of."""
    start = sequence.start
    if start.status is StartStatus.IN_DOUBT:
        if any(each.refutes for each in knowledge.not_seen.values()):
            return replace(start, status=StartStatus.REFUTED)
        if knowledge.seen:
            return replace(start, status=StartStatus.OBSERVED)
    return start


def _beside_attempts(attempted: Start, now_is: Start, configured: Start) -> Start:
    """The start that attempts leave, with a configured one that may have come before them."""
    if configured.status is StartStatus.OBSERVED:
        status = attempted.status
        if status is StartStatus.IN_DOUBT:
            return configured
        return replace(configured, status=status, stopped_at=attempted.stopped_at)
    if configured.status is StartStatus.IN_DOUBT and now_is.status is not StartStatus.REFUTED:
        return joined(configured, attempted)
    return attempted


def timeline(sequence: Sequence, knowledge: SequenceKnowledge) -> Timeline:
    """Bounds of every step's expiry."""
    start = known_start(sequence, knowledge)
    steps = in_order(sequence)
    middle = start.middle
    if start.status is StartStatus.PENDING or start.earliest is None or start.latest is None:
        why = "it is not known when it started"
        if start.status is StartStatus.PENDING:
            why = "nobody has started it and no time is planned"
        return Timeline(start, dict.fromkeys(s.name for s in steps), {s.name: why for s in steps})
    assert middle is not None
    scale = ClockScale.of(sequence.clock.temperature)
    found = estimate(sequence, knowledge, start, scale)
    low, nominal, high = found.start
    run = Curve.identity(low, high)
    believed = tuple(each for each in knowledge.readings if each not in found.left_out)
    known = replace(knowledge, readings=believed)
    # What may be running, or may have run, has bounds even if nobody knows its settings.
    may_run = start.may_run or start.status is StartStatus.STOPPED
    made = _Reckoning(sequence, known, scale, Span(run, run, nominal), found, may_run)
    return made.all(_as_estimated(start, found, scale), steps)


def _as_estimated(start: Start, found: Estimate, scale: ClockScale) -> Start:
    """The start with the bounds that the evidence leaves."""
    assert start.earliest is not None
    assert start.latest is not None
    if not found.used:
        return start
    earliest = max(scale.leave(found.start[0]), start.earliest)
    latest = max(min(scale.leave(found.start[2]), start.latest), earliest)
    nominal = min(max(scale.leave(found.start[1]), earliest), latest)
    doubtful = start.status is StartStatus.IN_DOUBT and found.shows_running
    status = StartStatus.OBSERVED if doubtful else start.status
    return replace(start, status=status, earliest=earliest, nominal=nominal, latest=latest)


class _Reckoning:
    """One pass over the steps in order."""

    def __init__(
        self,
        sequence: Sequence,
        knowledge: SequenceKnowledge,
        scale: ClockScale,
        began: Span,
        found: Estimate,
        may_run: bool,
    ) -> None:
        self.may_run = may_run
        self.sequence = sequence
        self.knowledge = knowledge
        self.scale = scale
        self.began = began
        self.rates = found.rates
        self.found = found
        self.spans: dict[str, tuple[Span, ...]] = {}
        self.unset: dict[str, str] = {}
        self.conflicts = list(found.conflicts)

    def all(self, start: Start, steps: tuple[Step, ...]) -> Timeline:
        found: dict[str, Expiry | None] = {}
        for step in steps:
            spans = self._spans(step)
            if not spans:
                found[step.name] = None
                continue
            self.spans[step.name] = spans
            found[step.name] = self._whole(spans)
        return Timeline(start, found, self.unset, tuple(self.conflicts), self.found)

    def _whole(self, spans: tuple[Span, ...]) -> Expiry:
        """All parts as one: the hull, the nominal value of the last, and the parts apart."""
        each = [self._expiry(span) for span in spans]
        if len(each) == 1:
            return each[0]
        parts = _apart([(one.earliest, one.latest) for one in each])
        last = max(each, key=lambda one: one.latest)
        held = [one.held_left_s for one in each if one.held_left_s is not None]
        return Expiry(
            parts[0][0],
            last.nominal,
            parts[-1][1],
            (min(low for low, _ in held), max(high for _, high in held)) if held else None,
            tuple(sorted({number for one in each for number in one.readings})),
            parts if len(parts) > 1 else (),
        )

    def _expiry(self, span: Span) -> Expiry:
        earliest, latest = self.scale.leave(span.low.least), self.scale.leave(span.high.greatest)
        nominal = min(max(self.scale.leave(span.nominal), earliest), latest)
        return Expiry(earliest, nominal, latest, span.held_left_s, span.readings)

    def _spans(self, step: Step) -> tuple[Span, ...]:
        """The parts of a step's possible expiries; none where no expiry can be given."""
        least_s, most_s = delay_range(self.sequence, step, self.knowledge)
        if most_s > least_s and not self.may_run:
            self.unset[step.name] = "its setting is not chosen"
            return ()
        origins = []
        for name in step.after:
            if name in self.unset:
                self.unset[step.name] = f"it counts from {name}: {self.unset[name]}"
                return ()
            if any(each.held_left_s is not None for each in self.spans[name]):
                self.unset[step.name] = f"it counts from {name}, which is held"
                return ()
            origins.append(self.spans[name])
        begun = origins[0] if origins else (self.began,)
        for others in origins[1:]:
            pairs = list(product(begun, others))
            if len(pairs) > MOST_PARTS:
                pairs = [(_hull(begun), _hull(others))]
            later = step.join == "later"
            begun = tuple(a.later(b) if later else a.earlier(b) for a, b in pairs)
        found = [each for origin in begun for each in self._from(step, origin, (least_s, most_s))]
        return self._as_seen(step, tuple(found) if len(found) <= MOST_PARTS else (_hull(found),))

    def _from(self, step: Step, origin: Span, delay_s: tuple[float, float]) -> tuple[Span, ...]:
        """The parts that follow from one origin."""
        if step.restart is None:
            span, problems = self._run(step, origin, delay_s, self.knowledge)
            self.conflicts += problems
            return (span,)
        scale = self.scale
        restarts = [
            replace(each, earliest=scale.enter(each.earliest), latest=scale.enter(each.latest))
            for each in occurrences(self.sequence, step.restart, self.knowledge)
        ]

        def runs(begun: Span, until: float) -> tuple[Span, list[str]]:
            first = scale.leave(begun.high.greatest)
            known = known_between(self.knowledge, step.name, first, scale.leave(until))
            return self._run(step, begun, delay_s, known)

        disturbed = bool(self.knowledge.holds or self.knowledge.power_losses)
        parts, problems = restarted_parts(origin, restarts, runs, disturbed)
        self.conflicts += problems
        return parts

    def _run(
        self, step: Step, origin: Span, delay_s: tuple[float, float], known: SequenceKnowledge
    ) -> tuple[Span, list[str]]:
        """One countdown, by all the units that drive it, and what contradicts it, in words."""
        spans: list[Span] = []
        conflicts: list[str] = []
        for unit in step.unit_names:
            countdown = Countdown(
                step,
                unit,
                delay_s,
                self.rates[unit],
                self.sequence.clock_of(unit),
                self.scale,
            )
            span, problems = countdown.run(origin, known)
            conflicts += problems
            spans.append(span)
        whole = spans[0]
        for other in spans[1:]:
            whole = whole.earlier(other) if step.units_act == "first" else whole.later(other)
        return whole, conflicts

    def _as_seen(self, step: Step, spans: tuple[Span, ...]) -> tuple[Span, ...]:
        seen = self.knowledge.seen.get(step.name)
        if seen is None:
            return spans
        latest = self.scale.enter(seen.latest)
        earliest = None if seen.earliest is None else self.scale.enter(seen.earliest)
        narrowed = [replace(span.within(earliest, latest), held_left_s=None) for span in spans]
        narrowed = [span for span in narrowed if not span.is_empty]
        if not narrowed:
            self.conflicts.append(
                f"{step.name} was seen (record {seen.record}) outside the time at which its "
                "countdown can have expired; what was seen is believed"
            )
            low = self.began.low.least if earliest is None else earliest
            low = min(low, latest)
            ends = Curve.constant(low, spans[0].low), Curve.constant(latest, spans[0].low)
            return (Span(ends[0], ends[1], (low + latest) / 2),)
        return tuple(narrowed)


def _hull(spans: Iterable[Span]) -> Span:
    """One span that holds all of some; nominal as the last of them."""
    found = list(spans)
    whole = found[0]
    for each in found[1:]:
        low, high = whole.low.lower(each.low), whole.high.higher(each.high)
        whole = Span(low, high, max(whole.nominal, each.nominal), None, whole.readings)
    return whole


def _apart(parts: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """The parts by time, those that touch joined."""
    found: list[tuple[float, float]] = []
    for low, high in sorted(parts):
        if found and low <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], high)
        else:
            found.append((low, high))
    return tuple(found)
