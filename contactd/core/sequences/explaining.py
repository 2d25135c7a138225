"""The facts from which a step's forecast follows, as data for explanations."""

from __future__ import annotations

from collections.abc import Iterator

from contactd.core.instants import to_text
from contactd.core.sequences.clocks import rate_limits
from contactd.core.sequences.coverage import Services
from contactd.core.sequences.expiry import Expiry, Timeline, delay_of
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Fact, Sequence, Step, StepForecast
from contactd.core.sequences.order import earlier_steps, in_order
from contactd.core.sequences.verdict import duration_text

CONFIGURATION = "configuration"
PREDICTION = "prediction"


def facts_of(
    sequence: Sequence,
    knowledge: SequenceKnowledge,
    line: Timeline,
    step: Step,
    expiry: Expiry,
    made: StepForecast,
    services: Services,
) -> tuple[Fact, ...]:
    """Facts behind one step's forecast, those about its expiry first.

    ``about`` is one of ``start``, ``delay``, ``clock``, ``reading``, ``event``, ``coverage``,
    ``stop_by``, ``keep_clear``.
    """
    return (
        *_start(line),
        *_delays(sequence, knowledge, step),
        *_clocks(sequence, line, step),
        *_readings(knowledge, line, expiry),
        *_events(sequence, knowledge, step),
        *_view(step, made, services),
        *_rules(sequence, step, made),
    )


def _record(number: int) -> str:
    return f"record {number}" if number else CONFIGURATION


def _start(line: Timeline) -> Iterator[Fact]:
    start = line.start
    if start.earliest is None or start.latest is None:
        return
    width = duration_text((start.latest - start.earliest) / 2)
    text = (
        f"the start is {start.status}, from {to_text(start.earliest)} to {to_text(start.latest)} "
        f"(± {width})"
    )
    yield Fact("start", text, _record(start.record))


def _delays(sequence: Sequence, knowledge: SequenceKnowledge, step: Step) -> Iterator[Fact]:
    names = {step.name} | earlier_steps(sequence, step.name)
    for each in in_order(sequence):
        if each.name not in names:
            continue
        delay = delay_of(each, knowledge)
        if delay is None:
            continue
        origin = f"the {each.join} of {', '.join(each.after)}"
        if len(each.after) < 2:
            origin = each.after[0] if each.after else "the start"
        text = f"{each.name} acts {duration_text(delay, 4)} after {origin}"
        if each.delay.error_bound_s:
            text += f", give or take {duration_text(each.delay.error_bound_s)}"
        if len(each.unit_names) > 1:
            verb = "as soon as one" if each.units_act == "first" else "once all"
            text += f", {verb} of {', '.join(map(str, each.unit_names))} expires"
        source = CONFIGURATION
        if each.name in knowledge.settings:
            number = knowledge.setting_records.get(each.name, 0)
            source = _record(number) if number else "chosen setting"
        yield Fact("delay", text, source)


def _clocks(sequence: Sequence, line: Timeline, step: Step) -> Iterator[Fact]:
    names = {step.name} | earlier_steps(sequence, step.name)
    units = {unit for each in sequence.steps if each.name in names for unit in each.unit_names}
    for unit in sorted(units, key=str):
        clock = sequence.clock_of(unit)
        low, high = rate_limits(clock)
        who = "the clock" if unit is None else f"the clock of unit {unit}"
        if low == high and clock.known_rate_ppm == 0:
            continue
        text = (
            f"{who} runs {clock.known_rate_ppm:+g} ppm, give or take {clock.rate_bound_ppm:g} ppm"
        )
        yield Fact("clock", text)
        found = line.estimate.vertices.get(unit, ()) if line.estimate else ()
        rates = [rate for _, rate in found]
        if rates and max(rates) - min(rates) < 1.999 * clock.rate_bound_ppm:
            text = f"readings narrow it to {min(rates):+.2f} to {max(rates):+.2f} ppm"
            yield Fact("clock", text, "readings")


def _readings(knowledge: SequenceKnowledge, line: Timeline, expiry: Expiry) -> Iterator[Fact]:
    used = set(expiry.readings) | set(line.estimate.used if line.estimate else ())
    for reading in knowledge.readings:
        if reading.record not in used:
            continue
        value = reading.remaining_s if reading.elapsed_s is None else reading.elapsed_s
        assert value is not None
        kind = "elapsed" if reading.remaining_s is None else "remaining"
        what = "since the start" if reading.step is None else f"of {reading.step}"
        text = (
            f"at {to_text(reading.at, 0)}, {duration_text(value, 4)} {kind} {what} were read, "
            f"give or take {duration_text(reading.error_s)}"
        )
        off = line.estimate.residuals.get(reading.record) if line.estimate else None
        if off is not None and reading.error_s:
            text += f"; it lies {abs(off):.1f} standard deviations off the best fit"
        yield Fact("reading", text, _record(reading.record))


def _events(sequence: Sequence, knowledge: SequenceKnowledge, step: Step) -> Iterator[Fact]:
    resets = any(sequence.clock_of(unit).resets_on_power_loss for unit in step.unit_names)
    means = "sets a running countdown back" if resets else "leaves its countdown running"
    for loss in knowledge.power_losses:
        when = f"between {to_text(loss.earliest, 0)} and {to_text(loss.latest, 0)}"
        text = f"power was lost {when}, which {means}"
        yield Fact("event", text, _record(loss.record))
    for hold in knowledge.holds:
        if hold.step in (None, step.name):
            text = f"it was held from {to_text(hold.held.earliest, 0)}"
            if hold.resumed is not None:
                text += f" until {to_text(hold.resumed.latest, 0)}"
            yield Fact("event", text, _record(hold.held.record))


def _view(step: Step, made: StepForecast, services: Services) -> Iterator[Fact]:
    if made.earliest is None or made.latest is None:
        return
    for need in step.needs:
        text = (
            f"it needs {need.service} from {duration_text(need.before_s)} before to "
            f"{duration_text(need.after_s)} after it acts"
        )
        if need.stations > 1:
            text += f", by {need.stations} stations"
        if not need.handover:
            text += ", without a change of station"
        text += "".join(f", {condition.words}" for condition in need.conditions)
        yield Fact("coverage", text)
        low, high = made.earliest - need.before_s, made.latest + need.after_s
        for name, coverage in sorted(services.get(need.service, {}).items()):
            for start, end in coverage.possible.clip(low, high):
                sure = coverage.certain.clip(*_whole(coverage.possible.interval_at(start)))
                if sure:
                    first, last = float(sure.starts[0]), float(sure.ends[-1])
                    text = (
                        f"{name} certainly has {need.service} from {to_text(first, 0)} to "
                        f"{to_text(last, 0)}"
                    )
                else:
                    text = (
                        f"{name} may have {need.service} between {to_text(start, 0)} and "
                        f"{to_text(end, 0)}"
                    )
                yield Fact("coverage", text, PREDICTION)


def _whole(interval: tuple[float, float] | None) -> tuple[float, float]:
    assert interval is not None
    return interval


def _rules(sequence: Sequence, step: Step, made: StepForecast) -> Iterator[Fact]:
    for name in (step.name, *sorted(earlier_steps(sequence, step.name))):
        each = sequence.step(name)
        if each.stop is None or (name != step.name and not each.stop.stops_later_steps):
            continue
        if made.stop_possible is not None:
            text = (
                f"a stop of {name} takes effect {duration_text(each.stop.takes_effect_s)} after "
                f"it is received, and is wanted {duration_text(each.stop.lead_s)} earlier still"
            )
            yield Fact("stop_by", text)
    if made.keep_clear is not None:
        rule = step.keep_clear
        before = 0.0 if rule is None else rule.before_s
        after = 0.0 if rule is None else rule.after_s
        text = (
            f"everyone must keep clear from {duration_text(before)} before its earliest to "
            f"{duration_text(after)} after its latest expiry"
        )
        yield Fact("keep_clear", text)
