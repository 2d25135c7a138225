"""Rehearsal scripts: what happens when, and what the team is expected to do by when."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field, TypeAdapter, ValidationError, model_validator

from contactd.config.error_locations import bounded, read_document
from contactd.config.files import Reader, Unreadable
from contactd.config.sections import Many, Section, raise_at
from contactd.config.settings import Channel
from contactd.config.types import (
    AlertKind,
    Duration,
    Instant,
    Name,
    PositiveDuration,
    RecordKind,
    Text,
    Truth,
    duration,
    number,
    words,
)
from contactd.core.errors import InputError, InputErrors
from contactd.core.instants import from_text

if TYPE_CHECKING:
    from contactd.mission.statements import Statement

MOST_SCRIPT_BYTES = 1 << 20
DEMO = "demo"
DIRECTOR = "rehearsal script"
BEFORE_ANY = from_text("2000-01-01T00:00:00Z")
"""A present by which statements are read only to see whether they can be."""
DAY_S = 86_400.0

Shift = Annotated[float, duration(0.0, DAY_S)]


class StationOut(Section):
    """A station drops out."""

    station: Name
    lasts_s: PositiveDuration = Field(alias="lasts")


class ElementsChange(Section):
    """New elements arrive, on which the satellite runs later or earlier than it was thought to."""

    target: Name
    late_s: Shift = Field(0.0, alias="late")
    early_s: Shift = Field(0.0, alias="early")


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

    alert: AlertKind
    by: Name


KINDS = (
    "say",
    "station_out",
    "elements",
    "clock",
    "channel",
    "acknowledge",
    "jump_s",
    "pause",
)


class Event(Section):
    """One thing that happens, so long after the beginning.

    ``say`` is a statement as HTTP takes it, under its verb: ``say: {hold: {target: …}}``. Here, and
    here only, its moments may be told from the event: ``15min ago``, ``now``.
    """

    after_s: Duration = Field(alias="after")
    say: Mapping[str, Any] | None = None
    by: Name = DIRECTOR
    station_out: StationOut | None = None
    elements: ElementsChange | None = None
    clock: ClockChange | None = None
    channel: ChannelChange | None = None
    acknowledge: Acknowledge | None = None
    jump_s: PositiveDuration | None = Field(None, alias="jump")
    pause: Truth = False

    @model_validator(mode="after")
    def _one_thing(self) -> Event:
        if len(self.what) != 1:
            shown = ", ".join(kind.removesuffix("_s") for kind in KINDS)
            raise_at((), f"after, and one of {shown}", f"{len(self.what)} of them")
        if self.say is not None:
            _check_said(self.say)
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
    alert: AlertKind | None = None
    acknowledged: AlertKind | None = None
    recorded: RecordKind | None = None
    never: AlertKind | None = None
    subject: Text = ""

    @model_validator(mode="after")
    def _one_thing(self) -> Expectation:
        given = [self.alert, self.acknowledged, self.recorded, self.never]
        if sum(each is not None for each in given) != 1:
            raise_at((), "by, and one of alert, acknowledged, recorded, never")
        return self


class AlarmBudget(Section):
    """How many alarms each role can act on; by default what IEC 62682 holds to be manageable."""

    mean_per_10min: Annotated[float, number(0.0, 1000.0)] = 1.0
    peak_per_10min: Annotated[float, number(0.0, 1000.0)] = 10.0


def statement(said: Mapping[str, Any], now_s: float) -> Statement:
    """The statement of an event's ``say``, its moments told from an instant (s).

    Raises:
        InputError: if it is none; ``key`` says where.
    """
    from contactd.mission.statements import BY_VERB
    from contactd.mission.statements.types import NOW

    if len(said) != 1 or next(iter(said)) not in BY_VERB:
        found = ", ".join(map(repr, said)) or "nothing"
        raise InputError(f"one of {', '.join(BY_VERB)}", found, "say")
    [(verb, given)] = said.items()
    if not isinstance(given, Mapping):
        raise InputError("what is said, such as {target: …}", repr(given), f"say.{verb}")
    plain = {key: _plain(value) for key, value in given.items()}
    try:
        made: Statement = TypeAdapter(BY_VERB[verb]).validate_python(plain, context={NOW: now_s})
    except ValidationError as problem:
        error = problem.errors()[0]
        key = ".".join(map(str, ("say", verb, *error["loc"])))
        expected = str(error["msg"]).removeprefix("Value error, ")
        raise InputError(expected, "", key) from None
    return made


def _plain(value: Any) -> Any:
    return list(value) if isinstance(value, tuple) else value


def _check_said(said: Mapping[str, Any]) -> None:
    try:
        statement(said, BEFORE_ANY)
    except InputError as error:
        raise_at(tuple(error.key.split(".")), error.expected, error.found)


class Script(Section):
    """A rehearsal."""

    title: Name
    about: Text = ""
    config: Text = DEMO
    begins: Instant
    lasts_s: PositiveDuration = Field(alias="lasts")
    channels: Many[Channel] = ()
    events: Many[Event] = ()
    expectations: Many[Expectation] = ()
    alarms: AlarmBudget | None = None

    @model_validator(mode="after")
    def _within(self) -> Script:
        for name, key in (("events", "after"), ("expectations", "by")):
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
