"""The forecast: each step's expiry, whether it will be in view, and what must be done by when."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from contactd.core.instants import to_text
from contactd.core.intervals import EMPTY
from contactd.core.sequences.causes import cause_of
from contactd.core.sequences.coverage import Conditions, Services, View, view
from contactd.core.sequences.distribution import Spreads
from contactd.core.sequences.expiry import Expiry, Timeline, delay_range, timeline
from contactd.core.sequences.explaining import facts_of
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import (
    Covered,
    Sequence,
    SequenceForecast,
    Step,
    StepForecast,
    StepStatus,
    StopChance,
)
from contactd.core.sequences.order import earlier_steps
from contactd.core.sequences.probability import Spread
from contactd.core.sequences.restarts import next_command
from contactd.core.sequences.status import Standing, standings
from contactd.core.sequences.stopping import (
    COMMAND,
    MOST_CHANCES,
    LightTime,
    Run,
    StopWindow,
    first_confirmation,
    keep_clear_of,
    longest_silence,
    stop_chances,
    stop_windows,
)
from contactd.core.sequences.verdict import Verdict, duration_text, judge

__all__ = ["Conditions", "forecast"]

GONE = (StepStatus.UNSET, StepStatus.STOPPED)
WORSE = (Covered.COVERED, Covered.AT_RISK, Covered.UNCOVERED)
"""Verdicts, the worst last."""


def forecast(
    sequence: Sequence,
    knowledge: SequenceKnowledge,
    services: Services,
    now: float,
    span: tuple[float, float],
    conditions: Conditions | None = None,
    light_time_s: LightTime = 0.0,
) -> SequenceForecast:
    """The forecast of every step, from one state of knowledge.

    Args:
        services: coverage by service name, then by station name; outages taken out.
        now: instant (s).
        span: (start, end) instants (s) that the coverage was predicted for.
        conditions: sunlight, darkness and elevation, where steps need them.
        light_time_s: one-way light time in seconds, or a function of station and instant.

    Returns:
        One :class:`StepForecast` for each step, in the order of the file.

    Raises:
        InputErrors: if the steps form a cycle or name steps that there are not.
    """
    line = timeline(sequence, knowledge)
    standing = standings(sequence, knowledge, line, now)
    maker = _Maker(sequence, knowledge, services, now, span, conditions, light_time_s, line)
    steps = tuple(maker.step(step, standing[step.name]) for step in sequence.steps)
    conflicts = (*(each.text for each in knowledge.conflicts), *line.conflicts)
    return SequenceForecast(
        target=sequence.target,
        sequence=sequence.name,
        start=line.start,
        steps=steps,
        longest_silence=maker.silence(steps),
        conflicts=conflicts,
        hazardous=any(step.hazard for step in sequence.steps),
    )


class _Maker:
    """Makes the forecast of one step after another."""

    def __init__(
        self,
        sequence: Sequence,
        knowledge: SequenceKnowledge,
        services: Services,
        now: float,
        span: tuple[float, float],
        conditions: Conditions | None,
        light_time_s: LightTime,
        line: Timeline,
    ) -> None:
        self.sequence = sequence
        self.knowledge = knowledge
        self.services = services
        self.now = now
        self.span = span
        self.conditions = conditions
        self.light_time_s = light_time_s
        self.line = line
        self.spreads = Spreads(sequence, knowledge, line)

    def step(self, step: Step, standing: Standing) -> StepForecast:
        bare = StepForecast(
            target=self.sequence.target,
            sequence=self.sequence.name,
            step=step.name,
            status=standing.status,
            hazard=step.hazard,
            needs=step.needs,
            reasons=standing.reasons,
        )
        expiry = standing.expiry
        if expiry is None or standing.status in GONE or standing.status is StepStatus.HELD:
            return bare
        made = replace(
            bare,
            earliest=expiry.earliest,
            nominal=None if expiry.parts else expiry.nominal,
            latest=expiry.latest,
            later_acts=standing.later_acts,
            parts=expiry.parts,
        )
        made = self._in_view(made, step, expiry)
        made = self._confirmed(made, expiry)
        made = self._kept_clear(made, step, standing)
        made = self._stopped_by(made, step, standing)
        made = self._setting_unknown(made, step)
        made = self._commanded_by(made, step, standing)
        facts = facts_of(
            self.sequence, self.knowledge, self.line, step, expiry, made, self.services
        )
        return replace(made, facts=facts)

    def _setting_unknown(self, made: StepForecast, step: Step) -> StepForecast:
        """Say so where the bounds are as wide as a setting that nobody knows."""
        unknown: dict[str, tuple[float, float]] = {}
        for name in (step.name, *sorted(earlier_steps(self.sequence, step.name))):
            range_s = delay_range(self.sequence, self.sequence.step(name), self.knowledge)
            if range_s[1] > range_s[0]:
                unknown[name] = range_s
        reasons = [
            f"the setting of {name} is not known: {duration_text(least)} to {duration_text(most)}"
            for name, (least, most) in unknown.items()
        ]
        return replace(
            made,
            setting_unknown=unknown.get(step.name),
            reasons=(*reasons, *made.reasons),
        )

    def _in_view(self, made: StepForecast, step: Step, expiry: Expiry) -> StepForecast:
        if not step.needs:
            return made
        conditions = self.conditions or Conditions()
        seen = view(step.needs, self.services, self.span, conditions)
        verdict = self._worst(seen, step, expiry)
        return replace(
            made,
            coverage=verdict.coverage,
            in_view_probability=verdict.probability,
            stations=verdict.stations,
            margin_s=verdict.margin_s,
            cause=cause_of(
                step.needs, self.services, conditions, seen, verdict, expiry.earliest, expiry.latest
            ),
        )

    def _worst(self, seen: View, step: Step, expiry: Expiry) -> Verdict:
        """The verdict; of an expiry in parts the worst one's, for it may be that one."""
        if not expiry.parts:
            spread = self.spreads.of(step, expiry)
            return judge(seen, expiry.earliest, expiry.latest, spread)
        verdicts = [
            judge(seen, low, high, Spread(low + (high - low) / 2, ((high - low) / 2,)))
            for low, high in expiry.parts
        ]
        worst = max(verdicts, key=lambda each: WORSE.index(each.coverage))
        return replace(
            worst,
            probability=_least(each.probability for each in verdicts),
            margin_s=_least(each.margin_s for each in verdicts),
            stations=tuple(dict.fromkeys(name for each in verdicts for name in each.stations)),
        )

    def _commanded_by(self, made: StepForecast, step: Step, standing: Standing) -> StepForecast:
        """Until when the next command is needed, so that the countdown does not expire."""
        running = standing.status in (StepStatus.RUNNING, StepStatus.EXPIRING)
        by_command = any(
            each.commands is not None
            for each in self.sequence.events
            if step.restart is not None and each.name in step.restart.by
        )
        if step.restart is None or not running or not by_command:
            return made
        expiry = standing.expiry
        assert expiry is not None
        ends = made.parts or ((expiry.earliest, expiry.latest),)
        ahead = [low for low, high in ends if high >= self.now]
        if not ahead:
            return made
        commands = self.services.get(COMMAND, {})
        found = next_command(step.restart, ahead[0], commands, self.now, self.light_time_s)
        return replace(made, next_command=found)

    def _confirmed(self, made: StepForecast, expiry: Expiry) -> StepForecast:
        found = first_confirmation(self.services, expiry.latest)
        if found is None:
            return made
        return replace(made, confirm_at=found[0], confirm_station=found[1])

    def _kept_clear(self, made: StepForecast, step: Step, standing: Standing) -> StepForecast:
        expiry = standing.expiry
        assert expiry is not None
        last = max((act[1] for act in standing.later_acts), default=expiry.latest)
        clear = keep_clear_of(step, expiry.earliest, last)
        if clear is None:
            return made
        near = self.sequence.people_near
        # A keep-clear of no length is still a moment at which everyone must keep clear.
        met = near & near.clip(clear[0], max(clear[1], clear[0] + 1e-3)) if near else EMPTY
        reasons = made.reasons
        if met:
            text = (
                f"people are near from {to_text(float(met.starts[0]), 0)} to "
                f"{to_text(float(met.ends[-1]), 0)}, within its keep-clear"
            )
            reasons = (text, *reasons)
        zone = "" if step.keep_clear is None else step.keep_clear.zone
        return replace(made, keep_clear=clear, zone=zone, people_in_danger=met, reasons=reasons)

    def _stopped_by(self, made: StepForecast, step: Step, standing: Standing) -> StepForecast:
        if standing.status in (StepStatus.EXPIRED, StepStatus.SEEN):
            return made
        rules = self._stop_rules(step)
        if not rules:
            return made
        commands = self.services.get(COMMAND, {})
        by_station: dict[str, StopWindow] = {}
        for each, run in rules:
            for window in stop_windows(each, run, commands, self.light_time_s):
                other = by_station.get(window.station)
                if other is None or window.at > other.at:
                    by_station[window.station] = window
        found = sorted(by_station.values(), key=lambda window: -window.at)
        chances = sorted(
            (
                chance
                for each, run in rules
                for chance in stop_chances(each, run, commands, self.now, self.light_time_s)
            ),
            key=lambda each: (each.opens, -each.share),
        )[:MOST_CHANCES]
        best = found[0] if found else None
        certain = best is not None and best.at >= self.now
        if not certain and not chances and any(run.latest > self.span[1] for _, run in rules):
            end = to_text(self.span[1], 0)
            text = f"the prediction ends too early, at {end}, to tell whether it can be stopped"
            return replace(made, reasons=(*made.reasons, text))
        return replace(
            made,
            stop_bys=tuple(
                (window.at, window.station) for window in found if window.at >= self.now
            ),
            stop_by=None if best is None else best.at,
            stop_station=None if best is None else best.station,
            stops=_stopped_step(best, chances),
            stop_certain=certain,
            stop_possible=certain or bool(chances),
            stop_chances=tuple(chances),
            reasons=_with_stop(made.reasons, step, best if certain else None, chances),
        )

    def _stop_rules(self, step: Step) -> list[tuple[Step, Run]]:
        """Steps whose stop would stop this one, each with when its countdown may run."""
        start = self.line.start
        assert start.earliest is not None
        assert start.latest is not None
        known = self.knowledge
        disturbed = bool(known.readings or known.seen or known.holds or known.power_losses)
        found: list[tuple[Step, Run]] = []
        for name in (step.name, *sorted(earlier_steps(self.sequence, step.name))):
            each = self.sequence.step(name)
            expiry = self.line.expiries.get(name)
            if each.stop is None or expiry is None or name in self.knowledge.seen:
                continue
            if name == step.name or each.stop.stops_later_steps:
                run = Run(
                    start.earliest, start.latest, expiry.earliest, expiry.latest, not disturbed
                )
                found.append((each, run))
        return found

    def silence(self, steps: tuple[StepForecast, ...]) -> tuple[float, float] | None:
        """The longest silence from the start, or now, until the last step has acted."""
        ends = [step.latest for step in steps if step.latest is not None]
        begins = self.line.start.earliest
        if begins is None or not ends:
            return None
        return longest_silence(self.services, max(begins, self.now), max(ends), self.span)


def _least(values: Iterable[float | None]) -> float | None:
    """The least of some values; None if any of them is not known."""
    known = list(values)
    return None if None in known else min(each for each in known if each is not None)


def _stopped_step(best: StopWindow | None, chances: list[StopChance]) -> str | None:
    if best is not None:
        return best.stops
    return chances[0].stops if chances else None


def _with_stop(
    reasons: tuple[str, ...], step: Step, best: StopWindow | None, chances: list[StopChance]
) -> tuple[str, ...]:
    """The reasons, with what can still be stopped; first what is bad."""
    if best is not None:
        last = to_text(math.floor(best.at), 0)
        text = f"the last certain stop can be sent by {last} from {best.station}"
        if best.stops != step.name:
            text += f", by stopping {best.stops}"
        return (*reasons, text)
    if not chances:
        text = "no command window is left in which a stop would still take effect"
        return (text, *reasons)
    first = chances[0]
    text = (
        f"no stop is certain; one sent from {first.station} at "
        f"{to_text(math.ceil(first.opens), 0)} prevents {math.floor(100 * first.share)} % of the "
        "possible expiries"
    )
    if first.stops != step.name:
        text += f", by stopping {first.stops}"
    return (text, *reasons)
