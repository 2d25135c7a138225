"""One countdown of one timer unit: from its origin, through what befell it, to its expiry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from contactd.core.sequences.clocks import ClockScale, RateBounds
from contactd.core.sequences.curves import Curve
from contactd.core.sequences.known import Bounded, Hold, Reading, SequenceKnowledge
from contactd.core.sequences.model import Clock, Step

# Bounds that cross by less than this are rounding, not contradiction.
ROUNDING_S = 1e-5


@dataclass(frozen=True, slots=True)
class Span:
    """Bounds of one moment, each as a function of the start, and its nominal value."""

    low: Curve
    high: Curve
    nominal: float
    held_left_s: tuple[float, float] | None = None
    readings: tuple[int, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether the bounds contradict each other for every start."""
        return self.high.plus_scaled(-1.0, self.low).greatest < -ROUNDING_S

    def later(self, other: Span) -> Span:
        """The later of two moments."""
        return Span(
            self.low.higher(other.low),
            self.high.higher(other.high),
            max(self.nominal, other.nominal),
            _both_held(self, other, max),
            self.readings + other.readings,
        )

    def earlier(self, other: Span) -> Span:
        """The earlier of two moments."""
        return Span(
            self.low.lower(other.low),
            self.high.lower(other.high),
            min(self.nominal, other.nominal),
            _both_held(self, other, min),
            self.readings + other.readings,
        )

    def within(self, earliest: float | None, latest: float | None) -> Span:
        """The moment, known to lie between two instants."""
        low, high, nominal = self.low, self.high, self.nominal
        if earliest is not None:
            low, nominal = low.higher(Curve.constant(earliest, low)), max(nominal, earliest)
        if latest is not None:
            high, nominal = high.lower(Curve.constant(latest, high)), min(nominal, latest)
        return replace(self, low=low, high=high, nominal=nominal)


def _both_held(
    one: Span, other: Span, pick: Callable[[float, float], float]
) -> tuple[float, float] | None:
    """What is left of a step while its units are held: a hold stops all units of a step."""
    if one.held_left_s is None or other.held_left_s is None:
        return one.held_left_s or other.held_left_s
    least = pick(one.held_left_s[0], other.held_left_s[0])
    return least, pick(one.held_left_s[1], other.held_left_s[1])


class Countdown:
    """A countdown's rules, ready to be run from an origin.

    Args:
        delay_s: (least, greatest) seconds that it counts; the same twice where that is known.
    """

    def __init__(
        self,
        step: Step,
        unit: str | None,
        delay_s: tuple[float, float],
        rate: RateBounds,
        clock: Clock,
        scale: ClockScale,
    ) -> None:
        self.step = step
        self.unit = unit
        self.least_s, self.most_s = delay_s
        self.middle_s = self.least_s + (self.most_s - self.least_s) / 2
        self.rate = rate
        self.clock = clock
        self.scale = scale
        self.error_s = step.delay.error_bound_s * scale.stretch

    def run(self, origin: Span, knowledge: SequenceKnowledge) -> tuple[Span, list[str]]:
        """Bounds of the expiry, and the readings that contradict them, in words."""
        span = self._from(origin)
        waiting = self._readings(knowledge)
        problems: list[str] = []
        for begins, event in self._events(knowledge):
            before = [each for each in waiting if each.at + each.at_error_s < begins]
            waiting = [each for each in waiting if each not in before]
            span = self._narrow(span, before, problems)
            if isinstance(event, Hold):
                losses = self._losses_within(event, knowledge)
                frozen = [each for each in waiting if _while_held(each, event)]
                waiting = [each for each in waiting if each not in frozen]
                if not losses:
                    span = self._narrow(
                        span, [self._at_hold(each, event, origin) for each in frozen], problems
                    )
                span = self._held(origin, span, event, losses)
                if event.resumed is None:
                    return span, problems
                until = event.resumed.latest
            else:
                origin, span = self._reset(origin, span, event, knowledge.holds)
                until = event.latest
            # Whether a reading within the event's bounds came before or after it is not known.
            waiting = [each for each in waiting if each.at - each.at_error_s > until]
        return self._narrow(span, waiting, problems), problems

    def _from(self, origin: Span) -> Span:
        """The expiry of a full countdown from its origin."""
        low = origin.low.plus_scaled(self.least_s * (1 - self.rate.wander), self.rate.low)
        high = origin.high.plus_scaled(self.most_s * (1 + self.rate.wander), self.rate.high)
        nominal = origin.nominal + self.middle_s * self.rate.nominal
        return Span(low.plus(-self.error_s), high.plus(self.error_s), nominal)

    def _readings(self, knowledge: SequenceKnowledge) -> list[Reading]:
        """Readings of this very countdown, in order of time."""
        mine = [
            each
            for each in knowledge.readings
            if each.step == self.step.name and each.unit in (None, self.unit)
        ]
        return sorted(mine, key=lambda each: each.at)

    def _events(self, knowledge: SequenceKnowledge) -> list[tuple[float, Bounded | Hold]]:
        events: list[tuple[float, Bounded | Hold]] = [
            (hold.held.earliest, hold)
            for hold in knowledge.holds
            if hold.step in (None, self.step.name)
        ]
        if self.clock.resets_on_power_loss:
            events += [(loss.earliest, loss) for loss in knowledge.power_losses]
        return sorted(events, key=lambda each: each[0])

    def _losses_within(self, hold: Hold, knowledge: SequenceKnowledge) -> list[Bounded]:
        """Power losses that may have set this countdown back while it stood still."""
        if not self.clock.resets_on_power_loss:
            return []
        return [each for each in knowledge.power_losses if _may_meet(each, hold)]

    def _narrow(self, span: Span, readings: list[Reading], problems: list[str]) -> Span:
        for each in readings:
            low, high, nominal = self._bounds_by(each, span)
            narrowed = Span(
                span.low.higher(low), span.high.lower(high), nominal, None, span.readings
            )
            if narrowed.is_empty:
                problems.append(
                    f"the reading of record {each.record} contradicts what was known of "
                    f"{self.step.name} before, and is not used"
                )
                continue
            used = span.readings
            if narrowed.low.least > span.low.least or narrowed.high.greatest < span.high.greatest:
                used = (*used, each.record)
            span = replace(narrowed, readings=used)
        return span

    def _bounds_by(self, reading: Reading, span: Span) -> tuple[Curve, Curve, float]:
        """What one reading says of the expiry, whatever the start."""
        enter, error = self.scale.enter, reading.error_s
        left, wide = reading.remaining_s, 0.0
        slack = 0.0
        if left is None:
            assert reading.elapsed_s is not None
            left, slack = self.middle_s - reading.elapsed_s, self.error_s
            wide = self.most_s - self.middle_s
        first = enter(reading.at - reading.at_error_s) - slack
        last = enter(reading.at + reading.at_error_s) + slack
        least, most = left - wide - error, left + wide + error
        wander = self.rate.wander
        low = Curve.constant(first, span.low).plus_scaled(
            least * (1 - wander), self.rate.low if least >= 0 else self.rate.high
        )
        high = Curve.constant(last, span.high).plus_scaled(
            most * (1 + wander), self.rate.high if most >= 0 else self.rate.low
        )
        return low, high, enter(reading.at) + left * self.rate.nominal

    def _at_hold(self, reading: Reading, hold: Hold, origin: Span) -> Reading:
        """The same reading, as if it had been taken when the countdown came to stand still."""
        first = max(hold.held.earliest, self.scale.leave(origin.low.least))
        last = max(hold.held.latest, self.scale.leave(origin.high.greatest))
        half = (last - first) / 2
        return replace(reading, at=first + half, at_error_s=half)

    def _reset(
        self, origin: Span, span: Span, loss: Bounded, holds: tuple[Hold, ...]
    ) -> tuple[Span, Span]:
        """Origin and expiry after a power loss that sets a running countdown back.

        A countdown that was set back while it was held begins anew when it is resumed.
        """
        first, last = self.scale.enter(loss.earliest), self.scale.enter(loss.latest)
        if last < origin.low.least or first >= span.high.greatest:
            return origin, span
        surely = first >= origin.high.greatest and last < span.low.least
        for hold in holds:
            if hold.step in (None, self.step.name) and hold.resumed and _may_meet(loss, hold):
                last = max(last, self.scale.enter(hold.resumed.latest))
                if hold.held.latest <= loss.earliest and loss.latest <= hold.resumed.earliest:
                    first = max(first, self.scale.enter(hold.resumed.earliest))
        middle = (first + last) / 2
        if surely:
            begun = Span(Curve.constant(first, span.low), Curve.constant(last, span.high), middle)
            return begun, self._from(begun)
        begun = Span(
            origin.low.higher(Curve.constant(first, span.low)),
            Curve.constant(min(last, span.high.greatest), span.high),
            middle,
        )
        again = self._from(begun)
        running = origin.nominal <= middle < span.nominal
        return (
            Span(
                origin.low,
                origin.high.higher(begun.high),
                middle if running else origin.nominal,
            ),
            Span(
                span.low.lower(again.low),
                span.high.higher(again.high),
                again.nominal if running else span.nominal,
            ),
        )

    def _held(self, origin: Span, span: Span, hold: Hold, losses: list[Bounded]) -> Span:
        """The expiry after a hold: later by as long as the countdown stood still."""
        first, last = self.scale.enter(hold.held.earliest), self.scale.enter(hold.held.latest)
        if first >= span.high.greatest:
            return span
        if hold.resumed is None:
            most = span.high.greatest - max(first, origin.low.least)
            if losses:
                most = max(most, self.most_s * self.rate.high.greatest + self.error_s)
            return replace(span, held_left_s=(max(span.low.least - last, 0.0), most))
        begins, ends = (
            self.scale.enter(hold.resumed.earliest),
            self.scale.enter(hold.resumed.latest),
        )
        zero = Curve.constant(0.0, span.low)
        # A countdown that begins while it is held stands still from its own origin on.
        shortest = Curve.constant(begins, span.low).plus_scaled(
            -1.0, origin.low.higher(Curve.constant(last, span.low))
        )
        longest = Curve.constant(ends, span.high).plus_scaled(
            -1.0, origin.high.higher(Curve.constant(first, span.high))
        )
        surely = last < span.low.least
        low = span.low.plus_scaled(1.0, shortest.higher(zero)) if surely else span.low
        high = span.high.plus_scaled(1.0, longest.higher(zero))
        nominal = span.nominal
        held, resumed = (first + last) / 2, (begins + ends) / 2
        if held < nominal:
            nominal += max(0.0, resumed - max(held, origin.nominal))
        return Span(low, high, nominal, None, span.readings)


def _may_meet(loss: Bounded, hold: Hold) -> bool:
    """Whether a power loss may have come while a hold lasted."""
    resumed = float("inf") if hold.resumed is None else hold.resumed.latest
    return hold.held.earliest <= loss.latest and loss.earliest <= resumed


def _while_held(reading: Reading, hold: Hold) -> bool:
    """Whether a reading was certainly taken while the countdown stood still."""
    resumed = float("inf") if hold.resumed is None else hold.resumed.earliest
    early, late = reading.at - reading.at_error_s, reading.at + reading.at_error_s
    return hold.held.latest <= early and late <= resumed
