"""Rehearsal scripts: what happens when, and what the team is expected to do by when."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from contactd.config.error_locations import bounded, read_document
from contactd.config.files import Reader, Unreadable
from contactd.config.sections import Many, Section, raise_at
from contactd.config.settings import Channel
from contactd.config.types import (
    Duration,
    Instant,
    Name,
    PositiveDuration,
    Text,
    Truth,
    duration,
    words,
)
from contactd.core.errors import InputError, InputErrors

MOST_SCRIPT_BYTES = 1 << 20
DEMO = "demo"
DAY_S = 86_400.0

Shift = Annotated[float, duration(0.0, DAY_S)]
Ago = Field(0.0, alias="ago")


class OfSequence(Section):
    """What is said of one sequence."""

    target: Name
    sequence: Name


class StartHappens(OfSequence):
    """Somebody records that the sequence started."""

    ago_s: Duration = Ago
    give_or_take_s: Duration = Field(0.0, alias="give_or_take")


class AttemptHappens(OfSequence):
    """Something may have started the sequence, between ``ago`` and ``within`` later."""

    ago_s: Duration = Ago
    within_s: Duration = Field(0.0, alias="within")
    why: Text = ""


class StepSeen(OfSequence):
    """The effect of a step is seen."""

    step: Name
    ago_s: Duration = Ago
    give_or_take_s: Duration = Field(0.0, alias="give_or_take")


class StationOut(Section):
    """A station drops out."""

    station: Name
    lasts_s: PositiveDuration = Field(alias="lasts")


class ElementsChange(Section):
    """New elements arrive, on which the satellite runs later or earlier than it was thought to."""

    target: Name
    late_s: Shift = Field(0.0, alias="late")
    early_s: Shift = Field(0.0, alias="early")


class ContactMissed(Section):
    """A contact did not come about."""

    target: Name
    station: Name
    why: Text = ""


class ClockChange(Section):
    """The service's clock is set ahead or back, or its machine sleeps."""

    ahead_s: Shift = Field(0.0, alias="ahead")
    back_s: Shift = Field(0.0, alias="back")
    sleeps_s: Duration = Field(0.0, alias="sleeps")


class ChannelChange(Section):
    """A rehearsal channel changes its mood."""

    name: Name
    mood: Annotated[str, words(["well", "down", "slow"])]


class Acknowledge(Section):
    """Somebody acknowledges all open alerts of a kind."""

    alert: Name
    by: Name


class Remark(Section):
    """Somebody writes a remark."""

    text: Text
    by: Name


KINDS = (
    "start",
    "attempt",
    "seen",
    "station_out",
    "elements",
    "contact_missed",
    "clock",
    "channel",
    "acknowledge",
    "remark",
    "jump_s",
    "pause",
)


class Happening(Section):
    """One thing that happens, so long after the beginning."""

    after_s: Duration = Field(alias="after")
    start: StartHappens | None = None
    attempt: AttemptHappens | None = None
    seen: StepSeen | None = None
    station_out: StationOut | None = None
    elements: ElementsChange | None = None
    contact_missed: ContactMissed | None = None
    clock: ClockChange | None = None
    channel: ChannelChange | None = None
    acknowledge: Acknowledge | None = None
    remark: Remark | None = None
    jump_s: PositiveDuration | None = Field(None, alias="jump")
    pause: Truth = False

    @model_validator(mode="after")
    def _one_thing(self) -> Happening:
        if len(self.what) != 1:
            shown = ", ".join(kind.removesuffix("_s") for kind in KINDS)
            raise_at((), f"after, and one of {shown}", f"{len(self.what)} of them")
        return self

    @property
    def what(self) -> list[str]:
        """The kinds of thing that are given; one, once it is validated."""
        return [kind for kind in KINDS if getattr(self, kind) not in (None, False)]


class Expectation(Section):
    """What is expected of the service or the team, by a time after the beginning.

    Exactly one of: an alert of a kind is raised; one is acknowledged; a record of a kind is made;
    an alert of a kind is never raised until then.
    """

    by_s: Duration = Field(alias="by")
    alert: Name | None = None
    acknowledged: Name | None = None
    recorded: Name | None = None
    never: Name | None = None
    subject: Text = ""

    @model_validator(mode="after")
    def _one_thing(self) -> Expectation:
        given = [self.alert, self.acknowledged, self.recorded, self.never]
        if sum(each is not None for each in given) != 1:
            raise_at((), "by, and one of alert, acknowledged, recorded, never")
        return self


class Script(Section):
    """A rehearsal."""

    title: Name
    about: Text = ""
    config: Text = DEMO
    begins: Instant
    lasts_s: PositiveDuration = Field(alias="lasts")
    channels: Many[Channel] = ()
    happenings: Many[Happening] = ()
    expectations: Many[Expectation] = ()

    @model_validator(mode="after")
    def _within(self) -> Script:
        for name, key in (("happenings", "after"), ("expectations", "by")):
            for index, each in enumerate(getattr(self, name)):
                if getattr(each, f"{key}_s") > self.lasts_s:
                    raise_at((name, index, key), "a time within the rehearsal (see lasts)")
        return self


def load_script(path: Path) -> Script:
    """The script in a file.

    Raises:
        InputErrors: with every error of the file.
    """
    try:
        document = read_document(path, Reader().read(path, MOST_SCRIPT_BYTES))
    except Unreadable as problem:
        raise InputErrors(
            (InputError("a rehearsal script", str(problem), path=str(path)),)
        ) from None
    except InputError as error:
        raise InputErrors((error,)) from None
    script = document.validated(Script)
    if script is None:
        raise InputErrors(tuple(bounded(document)))
    return script
