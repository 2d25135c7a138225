"""``sequences`` of a target's file: start, clocks, steps, and what each step needs."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import Field, model_validator

from contactd.config.sections import Many, OneOrMany, Section, Spans, raise_at
from contactd.config.types import (
    Duration,
    Instant,
    Name,
    PositiveDuration,
    Text,
    Truth,
    integer,
    number,
    words,
)
from contactd.core.sequences.model import StartStatus
from contactd.mission.timetext import written

START = "start"
"""The name that ``after`` gives to the sequence's own start; no step may have it."""

Ppm = Annotated[float, number(0, 100_000, "ppm", "a rate error")]
Rate = Annotated[float, number(-100_000, 100_000, "ppm", "a rate")]
Celsius = Annotated[float, number(-273.15, 500, "°C", "a temperature")]


class StartSection(Section):
    """What is known or planned of the start."""

    status: Annotated[str, words([status.value for status in StartStatus])] = "pending"
    at: Instant | None = None
    not_before: Instant | None = None
    not_after: Instant | None = None
    give_or_take_s: Duration = Field(default=0.0, alias="give_or_take")
    sigma_s: PositiveDuration | None = Field(default=None, alias="sigma")
    stopped_at: Instant | None = None

    @model_validator(mode="after")
    def _says_when(self) -> StartSection:
        pair = (self.not_before, self.not_after)
        if (self.not_before is None) != (self.not_after is None):
            missing = "not_before" if self.not_before is None else "not_after"
            raise_at((missing,), "not_before and not_after together, each a UTC time")
        if self.not_before is not None and self.not_after is not None:
            if self.at is not None:
                raise_at(("at",), "either at, or not_before and not_after")
            if self.not_after < self.not_before:
                raise_at(("not_after",), "a time that is not before not_before")
        if self.status not in ("pending", "refuted") and self.at is None and pair[0] is None:
            expected = f"at, or not_before and not_after, with the status {self.status}"
            raise_at(("at",), expected, "no time")
        if (self.status == "stopped") != (self.stopped_at is not None):
            raise_at(("stopped_at",), "stopped_at with the status stopped, and only with it")
        return self


class TemperatureSection(Section):
    """How the rate of the clocks follows the temperature aboard."""

    table: Many[tuple[Celsius, Rate]]
    profile: Many[tuple[Instant, Celsius]]
    error_c: Annotated[float, number(0, 200, "°C", "an error")] = 0.0

    @model_validator(mode="after")
    def _ascends(self) -> TemperatureSection:
        for key in ("table", "profile"):
            points = getattr(self, key)
            if not points:
                raise_at((key,), "at least one pair", "none")
            for index in range(1, len(points)):
                if points[index][0] <= points[index - 1][0]:
                    raise_at((key, index, 0), "more than in the pair before it")
        return self


class ClockSection(Section):
    """The oscillator behind a countdown; +1 ppm runs fast."""

    rate_error_ppm: Ppm = 0.0
    known_rate_ppm: Rate = 0.0
    rate_sigma_ppm: Ppm | None = None
    resets_on_power_loss: Truth = False
    temperature: TemperatureSection | None = None


class UnitSection(Section):
    """One of several independent timers."""

    name: Name
    clock: ClockSection = ClockSection()


class ExceedsSection(Section):
    """This setting must exceed another step's by so much."""

    step: Name
    by_s: Duration = Field(default=0.0, alias="by")


class SettingSection(Section):
    """A setting: the delay is chosen before the start."""

    least_s: Duration = Field(alias="from")
    greatest_s: Duration = Field(alias="to")
    resolution_s: PositiveDuration = Field(alias="resolution")
    error_s: Duration = Field(default=0.0, alias="error")
    sigma_s: PositiveDuration | None = Field(default=None, alias="sigma")
    chosen_s: Duration | None = Field(default=None, alias="chosen")
    exceeds: OneOrMany[ExceedsSection] = ()

    @model_validator(mode="after")
    def _dial_makes_sense(self) -> SettingSection:
        if self.greatest_s < self.least_s:
            raise_at(("to",), "a duration that is not shorter than from")
        span_s = self.greatest_s - self.least_s
        self._check_on_dial("to", self.greatest_s)
        if span_s / self.resolution_s > MOST_SETTING_VALUES:
            raise_at(("resolution",), f"at most {MOST_SETTING_VALUES:,} values of the setting")
        if self.chosen_s is not None:
            if not self.least_s <= self.chosen_s <= self.greatest_s:
                raise_at(("chosen",), "a duration between from and to")
            self._check_on_dial("chosen", self.chosen_s)
        return self

    def _check_on_dial(self, key: str, seconds: float) -> None:
        steps = (seconds - self.least_s) / self.resolution_s
        if abs(steps - round(steps)) * self.resolution_s < 1e-6:
            return
        below = self.least_s + math.floor(steps) * self.resolution_s
        nearest = f"{written(below)} or {written(below + self.resolution_s)}"
        whole = f"{written(self.least_s)} and whole steps of"
        raise_at((key,), f"{whole} {written(self.resolution_s)}, so {nearest}")


MOST_SETTING_VALUES = 1_000_000


class DelaySection(Section):
    """How long a countdown runs: a duration, or a setting."""

    fixed_s: Duration | None = Field(default=None, alias="fixed")
    error_s: Duration = Field(default=0.0, alias="error")
    sigma_s: PositiveDuration | None = Field(default=None, alias="sigma")
    setting: SettingSection | None = None

    @model_validator(mode="before")
    @classmethod
    def _duration_is_fixed(cls, value: Any) -> Any:
        return value if isinstance(value, dict) else {"fixed": value}

    @model_validator(mode="after")
    def _one_of_both(self) -> DelaySection:
        if self.setting is None and self.fixed_s is None:
            raise_at((), "a duration such as 2min, or fixed, or setting")
        if self.setting is not None:
            if self.fixed_s is not None:
                raise_at(("fixed",), "either fixed or setting")
            if self.error_s or self.sigma_s is not None:
                raise_at(("error" if self.error_s else "sigma",), "the error within setting")
        return self


class NeedSection(Section):
    """What a step wants around its expiry."""

    service: Name = Field(description="a service, such as telemetry or command")
    before_s: Duration = Field(default=0.0, alias="before")
    after_s: Duration = Field(default=0.0, alias="after")
    least_elevation_deg: Annotated[float, number(0, 90, what="degrees")] = 0.0
    sunlit: Truth | None = None
    dark_station: Truth = False
    stations: Annotated[int, integer(1, 20, "a number of stations")] = 1
    handover: Truth = True


class KeepClearSection(Section):
    """Keep clear from before the earliest to after the latest expiry; ``zone`` says of what."""

    before_s: Duration = Field(default=0.0, alias="before")
    after_s: Duration = Field(default=0.0, alias="after")
    zone: Text = ""


class StopSection(Section):
    """How a running step can be stopped by command."""

    lead_s: Duration = Field(default=0.0, alias="lead")
    takes_effect_s: Duration = Field(default=0.0, alias="takes_effect_in")
    stops_later_steps: Truth = True


class EventSection(Section):
    """Something from outside that countdowns can go by: a command that is heard, or a contact.

    ``command`` is any, a command's name or several; ``contact`` is any, a station or several.
    """

    name: Name
    command: OneOrMany[Name] | None = None
    contact: OneOrMany[Name] | None = None

    @model_validator(mode="after")
    def _is_one_thing(self) -> EventSection:
        if (self.command is None) == (self.contact is None):
            raise_at((), "command or contact, saying what the event is")
        return self


class RestartSection(Section):
    """Events that begin the running countdown anew, by their names."""

    by: OneOrMany[Name]
    lead_s: Duration = Field(default=0.0, alias="lead")
    takes_effect_s: Duration = Field(default=0.0, alias="takes_effect_in")


class RepeatSection(Section):
    """The step acts again with a period until it is seen."""

    every_s: PositiveDuration = Field(alias="every")
    most: Annotated[int, integer(1, 1000, "a number of times")]


class StepSection(Section):
    """Something that the satellite does by itself when a countdown expires."""

    name: Name
    after: OneOrMany[Name] = Field(description="start, or the name of the step it counts from")
    join: Annotated[str, words(["later", "earlier"])] = "later"
    delay: DelaySection = Field(description="a duration such as 2min, or fixed, or setting")
    needs: OneOrMany[NeedSection] = ()
    hazard: Text | None = None
    keep_clear: KeepClearSection | None = None
    stop: StopSection | None = None
    repeat: RepeatSection | None = None
    only_if_seen: Name | None = None
    timer: Name | None = None
    timers: Many[Name] = ()
    units_act: Annotated[str, words(["first", "all"])] = "first"
    restart: RestartSection | None = None

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> StepSection:
        if self.keep_clear is not None and self.hazard is None:
            raise_at(("keep_clear",), "hazard beside it, saying what people must keep clear of")
        if not self.after:
            raise_at(("after",), "start or the name of a step", "nothing")
        if START in self.after and len(self.after) > 1:
            raise_at(("after",), "start alone, or names of steps", "start among steps")
        if self.name == START:
            raise_at(("name",), "another name: start is the start of the sequence")
        if self.timer is not None and self.timers:
            raise_at(("timers",), "either timer or timers")
        return self


class SequenceSection(Section):
    """A named chain of timed steps, started by one start event."""

    name: Name
    start: StartSection = StartSection()
    clock: ClockSection = ClockSection()
    units: Many[UnitSection] = ()
    people_near: Spans = ()
    events: Many[EventSection] = ()
    steps: Many[StepSection]
