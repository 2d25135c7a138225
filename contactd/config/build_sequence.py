"""From a target's file to its sequences, with the checks that need more than one step."""

from __future__ import annotations

from contactd.config.builder import Builder
from contactd.config.error_locations import Location
from contactd.config.sequence_section import (
    START,
    ClockSection,
    DelaySection,
    EventSection,
    NeedSection,
    SequenceSection,
    StartSection,
    StepSection,
)
from contactd.config.target_file import TargetFile
from contactd.config.types import unknown
from contactd.core.sequences.model import (
    Clock,
    Delay,
    Event,
    KeepClear,
    Need,
    Restart,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
    StopRule,
    TemperatureRate,
    TimerUnit,
)


def build_sequences(builder: Builder, file: TargetFile) -> tuple[Sequence, ...]:
    """The sequences of a target's file; what is wrong with them is noted in the builder."""
    names = [section.name for section in file.sequences]
    _refuse_doubles(builder, names, ("sequences",), "sequence")
    return tuple(
        _sequence(builder, file.name, section, ("sequences", index))
        for index, section in enumerate(file.sequences)
    )


def _sequence(
    builder: Builder, target: str, section: SequenceSection, location: Location
) -> Sequence:
    _check_steps(builder, section, location)
    return Sequence(
        target=target,
        name=section.name,
        steps=tuple(_step(each) for each in section.steps),
        start=_start(section.start),
        clock=_clock(section.clock),
        people_near=builder.spans(section.people_near, (*location, "people_near")),
        units=tuple(TimerUnit(each.name, _clock(each.clock)) for each in section.units),
        events=tuple(_event_of(each) for each in section.events),
    )


ANY = "any"


def _event_of(section: EventSection) -> Event:
    """The event; ``any`` alone is all there are."""

    def names(given: tuple[str, ...] | None) -> tuple[str, ...] | None:
        return () if given == (ANY,) else given

    return Event(section.name, names(section.command), names(section.contact))


def _start(section: StartSection) -> Start:
    earliest, nominal, latest = section.not_before, section.at, section.not_after
    if nominal is not None:
        bound_s = section.give_or_take_s or 3.0 * (section.sigma_s or 0.0)
        earliest, latest = nominal - bound_s, nominal + bound_s
    return Start(
        status=StartStatus(section.status),
        earliest=earliest,
        nominal=nominal,
        latest=latest,
        stopped_at=section.stopped_at,
        give_or_take_s=section.give_or_take_s,
        sigma_s=section.sigma_s,
    )


def _clock(section: ClockSection) -> Clock:
    temperature = section.temperature
    return Clock(
        rate_error_ppm=section.rate_error_ppm,
        known_rate_ppm=section.known_rate_ppm,
        resets_on_power_loss=section.resets_on_power_loss,
        rate_sigma_ppm=section.rate_sigma_ppm,
        temperature=None
        if temperature is None
        else TemperatureRate(temperature.table, temperature.profile, temperature.error_c),
    )


def _delay(section: DelaySection) -> Delay:
    dial = section.setting
    if dial is None:
        return Delay(section.fixed_s or 0.0, section.error_s, sigma_s=section.sigma_s)
    return Delay(
        setting=Setting(
            least_s=dial.least_s,
            greatest_s=dial.greatest_s,
            resolution_s=dial.resolution_s,
            error_s=dial.error_s,
            chosen_s=dial.chosen_s,
            sigma_s=dial.sigma_s,
            exceeds=tuple((each.step, each.by_s) for each in dial.exceeds),
        )
    )


def _need(section: NeedSection) -> Need:
    return Need(
        service=section.service,
        before_s=section.before_s,
        after_s=section.after_s,
        least_elevation_deg=section.least_elevation_deg,
        sunlit=section.sunlit,
        dark_station=section.dark_station,
        stations=section.stations,
        handover=section.handover,
    )


def _step(section: StepSection) -> Step:
    keep_clear, stop, repeat = section.keep_clear, section.stop, section.repeat
    return Step(
        name=section.name,
        delay=_delay(section.delay),
        after=() if section.after == (START,) else section.after,
        join=section.join,
        needs=tuple(_need(each) for each in section.needs),
        hazard=section.hazard,
        keep_clear=None
        if keep_clear is None
        else KeepClear(keep_clear.before_s, keep_clear.after_s, keep_clear.zone),
        stop=None
        if stop is None
        else StopRule(stop.lead_s, stop.takes_effect_s, stop.stops_later_steps),
        repeat_every_s=None if repeat is None else repeat.every_s,
        repeat_most=1 if repeat is None else repeat.most,
        only_if_seen=section.only_if_seen,
        timer=section.timer,
        timers=section.timers,
        units_act=section.units_act,
        restart=None
        if section.restart is None
        else Restart(section.restart.by, section.restart.lead_s, section.restart.takes_effect_s),
    )


def _refuse_doubles(builder: Builder, names: list[str], location: Location, what: str) -> None:
    first: dict[str, int] = {}
    for index, name in enumerate(names):
        if name in first:
            line = builder.document.node((*location, first[name], "name")).line
            expected = f"a name that no other {what} has: it stands on line {line} already"
            builder.document.note((*location, index, "name"), expected)
        first.setdefault(name, index)


def _check_steps(builder: Builder, section: SequenceSection, location: Location) -> None:
    note = builder.document.note
    steps = {step.name: step for step in section.steps}
    if not steps:
        note((*location, "steps"), "at least one step", "none")
    _refuse_doubles(builder, [step.name for step in section.steps], (*location, "steps"), "step")
    units = [unit.name for unit in section.units]
    _refuse_doubles(builder, units, (*location, "units"), "unit")
    events = [event.name for event in section.events]
    _refuse_doubles(builder, events, (*location, "events"), "event")
    for index, step in enumerate(section.steps):
        where = (*location, "steps", index)
        _check_names(builder, step, steps, where)
        for number, event in enumerate(step.restart.by if step.restart is not None else ()):
            if event not in events:
                expected = unknown(event, events, "the name of an event in events")
                note((*where, "restart", "by", number), expected)
        for place, unit in _units_of(step):
            if unit not in units:
                note((*where, *place), unknown(unit, units, "the name of a unit in units"))
        if step.hazard is not None and step.keep_clear is None:
            builder.notice(
                (*where, "hazard"), "a hazard without keep_clear: nobody is told to keep away"
            )
    _refuse_cycle(builder, section, location)


def _units_of(step: StepSection) -> list[tuple[Location, str]]:
    single: list[tuple[Location, str]] = [(("timer",), step.timer)] if step.timer else []
    return single + [(("timers", index), unit) for index, unit in enumerate(step.timers)]


def _check_names(
    builder: Builder, step: StepSection, steps: dict[str, StepSection], where: Location
) -> None:
    note = builder.document.note
    others = [name for name in steps if name != step.name]
    for index, name in enumerate(step.after):
        if name == step.name:
            note((*where, "after", index), "start or another step", "the step itself")
        elif name != START and name not in steps:
            note(
                (*where, "after", index), unknown(name, [START, *others], "start or a step's name")
            )
    if step.only_if_seen is not None and step.only_if_seen not in others:
        note((*where, "only_if_seen"), unknown(step.only_if_seen, others, "another step's name"))
    dial = step.delay.setting
    for index, each in enumerate(dial.exceeds if dial is not None else ()):
        place = (*where, "delay", "setting", "exceeds", index, "step")
        with_dial = [name for name in others if steps[name].delay.setting is not None]
        if each.step not in with_dial:
            note(place, unknown(each.step, with_dial, "another step that has a setting"))


def _refuse_cycle(builder: Builder, section: SequenceSection, location: Location) -> None:
    """Steps that wait for each other never expire."""
    before = {step.name: [name for name in step.after if name != START] for step in section.steps}
    indexes = {step.name: index for index, step in enumerate(section.steps)}
    settled: set[str] = set()
    for first in before:
        path: list[str] = []
        waiting = [(first, iter(before[first]))]
        path.append(first)
        while waiting:
            name, rest = waiting[-1]
            following = next((each for each in rest if each in before), None)
            if following is None:
                settled.add(name)
                waiting.pop()
                path.pop()
            elif following in path and following != name:
                circle = [*path[path.index(following) :], following]
                expected = "steps that do not wait for each other in a circle"
                place = (*location, "steps", indexes[name], "after")
                builder.document.note(place, expected, " after ".join(circle))
                return
            elif following not in settled and following != name:
                waiting.append((following, iter(before[following])))
                path.append(following)
