"""What an operator enters, and the records that it becomes.

Checked by the same statements as the command line's (:mod:`contactd.core.sequences.statements`), so
that both accept the same and refuse with the same words. Durations are written as in the
configuration's files: ``6h 30min``, ``90s``, ``PT6H30M``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from contactd.core import record as kinds
from contactd.core.contacts.missed import LOOKED_AT_S, missed_contact
from contactd.core.errors import InputError
from contactd.core.planning import Prediction
from contactd.core.record import Record
from contactd.core.sequences import statements
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence
from contactd.core.sequences.nondetection import step_not_seen
from contactd.faces.http.context import Instant
from contactd.mission.timetext import NEAREST, NotALength, machine, read_length

LONGEST_TEXT = 2_000
BACK_S = 86_400.0
LONGEST_WATCH_S = 60 * 86_400.0


def _duration(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    try:
        return read_length(value)[0]
    except NotALength as refused:
        hint = f" ({refused.hint})" if refused.hint else ""
        raise ValueError(f"a duration such as 6h 30min, 90s or PT6H30M{hint}") from None


def _blank_is_nothing(value: Any) -> Any:
    return None if isinstance(value, str) and not value.strip() else value


DURATION_TEXT = {"type": "string", "examples": ["6h 30min", "90s", "PT6H30M"]}
Seconds = Annotated[float, BeforeValidator(_duration), WithJsonSchema(DURATION_TEXT)]
MaybeSeconds = Annotated[Seconds | None, BeforeValidator(_blank_is_nothing)]
MaybeInstant = Annotated[Instant | None, BeforeValidator(_blank_is_nothing)]
Text = Annotated[str, Field(max_length=LONGEST_TEXT)]
MaybeText = Annotated[Text | None, BeforeValidator(_blank_is_nothing)]


@dataclass(frozen=True, slots=True)
class Scene:
    """What an entry is checked against.

    Attributes:
        sequence: None for what concerns a target as a whole.
        recorded_at: the present (instant, s).
        coverage: predicts the target over a span (instants, s), missed contacts taken out.
    """

    target: str
    sequence: Sequence | None
    knowledge: SequenceKnowledge
    stations: tuple[str, ...]
    author: str
    recorded_at: float
    coverage: Callable[[tuple[float, float]], Prediction]
    identity: str = ""

    @property
    def of_sequence(self) -> Sequence:
        """The sequence; for entries that cannot do without one."""
        if self.sequence is None:
            raise InputError("the sequence that this is about", "nothing", "sequence")
        return self.sequence

    def record(self, kind: str, step: str | None, body: dict[str, Any]) -> Record:
        """A record about the sequence, or about one of its steps."""
        subject = statements.subject_of(self.of_sequence, step)
        return Record(self.recorded_at, kind, subject, self.author, body, self.identity)

    def record_of_target(self, kind: str, body: dict[str, Any]) -> Record:
        """A record about the target, or the service where there is none."""
        subject = self.target or "contactd"
        if self.sequence is not None:
            subject = statements.subject_of(self.sequence)
        return Record(self.recorded_at, kind, subject, self.author, body, self.identity)


class _Entry(BaseModel):
    """What is entered about a target's sequence."""

    model_config = ConfigDict(extra="forbid")

    target: str = Field(max_length=200, examples=["Lantern 3"])
    sequence: MaybeText = Field(default=None, examples=["wake-up"])
    note: Text = Field(default="", description="Kept in the record beside what is stated.")

    def record(self, scene: Scene) -> Record:
        """The record that this becomes.

        Raises:
            InputError: for what cannot be true or cannot be used.
        """
        raise NotImplementedError

    def _noted(self, record: Record) -> Record:
        from dataclasses import replace

        if not self.note.strip():
            return record
        return replace(record, body={**record.body, "note": self.note.strip()})


class _Bounded(_Entry):
    """At a time, give or take; or between two times."""

    at: MaybeInstant = None
    give_or_take: MaybeSeconds = None
    earliest: MaybeInstant = None
    latest: MaybeInstant = None

    def bounds(self, scene: Scene) -> tuple[float, float]:
        """The best estimate (instant, s), and how far it may be off (s)."""
        if (self.earliest is None) != (self.latest is None):
            missing = "earliest" if self.earliest is None else "latest"
            raise InputError("both bounds, earliest and latest", "one of them", missing)
        if self.earliest is not None and self.latest is not None:
            at = self.at
            if at is None:
                at = self.earliest + (self.latest - self.earliest) / 2
            return at, self.give_or_take or 0.0
        if self.at is None:
            raise InputError("a time, or an earliest and a latest one", "nothing", "at")
        unsaid = scene.of_sequence.start.give_or_take_s
        return self.at, unsaid if self.give_or_take is None else self.give_or_take


class Plan(_Bounded):
    """Somebody means to start the sequence."""

    enter: Literal["plan"]

    def record(self, scene: Scene) -> Record:
        at, give_or_take_s = self.bounds(scene)
        body = statements.start_planned(
            at, give_or_take_s, earliest=self.earliest, latest=self.latest
        )
        return self._noted(scene.record(kinds.START_PLANNED, None, body))


class Started(_Bounded):
    """The sequence has started."""

    enter: Literal["start"]
    sigma: MaybeSeconds = None

    def record(self, scene: Scene) -> Record:
        at, give_or_take_s = self.bounds(scene)
        body = statements.start_observed(
            at,
            give_or_take_s if self.sigma is None or self.give_or_take is not None else 0.0,
            recorded_at=scene.recorded_at,
            earliest=self.earliest,
            latest=self.latest,
            sigma_s=self.sigma,
        )
        return self._noted(scene.record(kinds.START_OBSERVED, None, body))


class Attempted(_Entry):
    """Something may have started the sequence."""

    enter: Literal["attempt"]
    earliest: Instant
    latest: Instant
    why: Text = ""

    def record(self, scene: Scene) -> Record:
        body = statements.start_attempted(
            self.earliest, self.latest, recorded_at=scene.recorded_at, why=self.why
        )
        return self._noted(scene.record(kinds.START_ATTEMPTED, None, body))


class Refuted(_Entry):
    """The sequence did not start, and how that is known."""

    enter: Literal["refute"]
    why: Text

    def record(self, scene: Scene) -> Record:
        body = statements.start_refuted(self.why)
        return self._noted(scene.record(kinds.START_REFUTED, None, body))


class Reading(_Entry):
    """A countdown showed so much remaining or elapsed."""

    enter: Literal["reading"]
    step: MaybeText = None
    at: Instant
    remaining: MaybeSeconds = None
    elapsed: MaybeSeconds = None
    error: Seconds = 0.0
    at_error: Seconds = 0.0
    unit: MaybeText = None

    def record(self, scene: Scene) -> Record:
        body = statements.reading(
            scene.of_sequence,
            self.step,
            self.at,
            recorded_at=scene.recorded_at,
            remaining_s=self.remaining,
            elapsed_s=self.elapsed,
            error_s=self.error,
            at_error_s=self.at_error,
            unit=self.unit,
        )
        return self._noted(scene.record(kinds.READING, self.step, body))


class Seen(_Entry):
    """A step's effect was seen."""

    enter: Literal["seen"]
    step: Text
    at: Instant
    earliest: MaybeInstant = None
    by: Text = ""

    def record(self, scene: Scene) -> Record:
        body = statements.step_seen(
            scene.of_sequence,
            self.step,
            self.at,
            recorded_at=scene.recorded_at,
            earliest=self.earliest,
            by=self.by,
        )
        return self._noted(scene.record(kinds.STEP_SEEN, self.step, body))


class NotSeen(_Entry):
    """A step's effect was watched for, and not seen."""

    enter: Literal["not-seen"]
    step: Text
    watched_from: Instant
    watched_until: Instant
    stations: list[str] = Field(default_factory=list, max_length=100)

    def record(self, scene: Scene) -> Record:
        first, last = self.watched_from, self.watched_until
        span = (min(first, last) - BACK_S, max(scene.recorded_at, last) + BACK_S)
        if span[1] - span[0] > LONGEST_WATCH_S:
            expected = "a watch within the last sixty days"
            raise InputError(expected, str(machine(first, NEAREST)), "watched_from")
        prediction = scene.coverage(span)
        body = step_not_seen(
            scene.of_sequence,
            scene.knowledge,
            self.step,
            first,
            last,
            prediction.outlook.services,
            prediction.outlook.span,
            recorded_at=scene.recorded_at,
            stations=frozenset(self.stations) or None,
            conditions=prediction.conditions,
        )
        return self._noted(scene.record(kinds.STEP_NOT_SEEN, self.step, body))


class Ruling(_Entry):
    """An operator decides what is the case, and says why."""

    enter: Literal["ruling"]
    step: MaybeText = None
    ruling: Text
    why: Text
    earliest: MaybeInstant = None
    latest: MaybeInstant = None
    at: MaybeInstant = None

    def record(self, scene: Scene) -> Record:
        body = statements.ruling(
            self.ruling,
            self.why,
            recorded_at=scene.recorded_at,
            step=self.step,
            earliest=self.earliest,
            latest=self.latest,
            at=self.at,
            knowledge=scene.knowledge,
            sequence=scene.sequence,
        )
        return self._noted(scene.record(kinds.RULING, self.step, body))


class Stopped(_Entry):
    """The stop of a sequence, or of one step, took effect."""

    enter: Literal["stopped"]
    step: MaybeText = None
    at: Instant
    why: Text = ""

    def record(self, scene: Scene) -> Record:
        body = statements.stopped(self.at, recorded_at=scene.recorded_at, why=self.why)
        return self._noted(scene.record(kinds.SEQUENCE_STOPPED, self.step, body))


class Event(_Bounded):
    """Countdowns were held, resumed, or lost their power."""

    enter: Literal["held", "resumed", "power-loss"]
    step: MaybeText = None
    why: Text = ""

    def record(self, scene: Scene) -> Record:
        at, give_or_take_s = self.bounds(scene)
        kind = {
            "held": kinds.SEQUENCE_HELD,
            "resumed": kinds.SEQUENCE_RESUMED,
            "power-loss": kinds.POWER_LOSS,
        }[self.enter]
        body = statements.event(at, give_or_take_s, recorded_at=scene.recorded_at, why=self.why)
        step = self.step if self.enter != "power-loss" else None
        return self._noted(scene.record(kind, step, body))


class Setting(_Entry):
    """A dial has been set."""

    enter: Literal["setting"]
    step: Text
    setting: Seconds

    def record(self, scene: Scene) -> Record:
        body = statements.setting_chosen(scene.of_sequence, self.step, self.setting)
        return self._noted(scene.record(kinds.SETTING_CHOSEN, self.step, body))


class Sent(_Entry):
    """A command was sent."""

    enter: Literal["command"]
    step: MaybeText = None
    at: Instant
    command: Text
    station: Text = ""

    def record(self, scene: Scene) -> Record:
        _check_station(scene, self.station, needed=False)
        body = statements.command_sent(
            self.at, self.command, recorded_at=scene.recorded_at, station=self.station
        )
        return self._noted(scene.record(kinds.COMMAND_SENT, self.step, body))


class Missed(_Entry):
    """A contact was missed."""

    enter: Literal["missed"]
    station: Text
    at: Instant = Field(description="A moment in the contact (UTC).")
    until: MaybeInstant = Field(
        default=None, description="When the station has it again (UTC), if in this contact."
    )
    why: Text = ""

    def record(self, scene: Scene) -> Record:
        _check_station(scene, self.station, needed=True)
        span = (self.at - LOOKED_AT_S, self.at + LOOKED_AT_S)
        contacts = () if self.at > scene.recorded_at else scene.coverage(span).outlook.contacts
        body = missed_contact(
            contacts, self.station, self.at, scene.recorded_at, self.until, self.why
        )
        record = Record(
            scene.recorded_at,
            kinds.CONTACT_MISSED,
            scene.target,
            scene.author,
            body,
            scene.identity,
        )
        return self._noted(record)


class Remark(_Entry):
    """A remark, for whoever reads on."""

    enter: Literal["remark"]
    target: str = Field(default="", max_length=200)
    remark: Text

    def record(self, scene: Scene) -> Record:
        if not self.remark.strip():
            raise InputError("a remark", "nothing", "remark")
        return scene.record_of_target(kinds.REMARK, {"text": self.remark.strip()})


Entry = Annotated[
    Plan
    | Started
    | Attempted
    | Refuted
    | Reading
    | Seen
    | NotSeen
    | Ruling
    | Stopped
    | Event
    | Setting
    | Sent
    | Missed
    | Remark,
    Field(discriminator="enter"),
]


def _check_station(scene: Scene, name: str, needed: bool) -> None:
    if name in scene.stations or not (name or needed):
        return
    import difflib

    near = difflib.get_close_matches(name, scene.stations, 1)
    hint = f" (did you mean {near[0]!r}?)" if near else ""
    raise InputError(f"a station's name{hint}", repr(name) if name else "nothing", "station")
