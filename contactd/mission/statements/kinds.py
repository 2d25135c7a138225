"""A class for each kind of statement; what is stated is checked in :mod:`contactd.mission.bodies`.

A class's docstring is the help of its command, its fields' descriptions are the help of the
options. ``verb`` names it everywhere: the command, the ``enter`` of an HTTP body, the key in a
rehearsal script. ``kind`` is what its record is called in the ledger, for good.
"""

from __future__ import annotations

import dataclasses
from typing import Any, ClassVar, Literal, TypeVar, dataclass_transform

from pydantic import ConfigDict, Field
from pydantic.dataclasses import dataclass

from contactd.core import record as records
from contactd.core.contacts.missed import LOOKED_AT_S, contact_at, missed_contact
from contactd.core.contacts.outage import outage_in
from contactd.core.errors import InputError
from contactd.core.handover import MOST_ITEMS, WITHIN_S, handover_body
from contactd.core.instants import FOREVER, from_text
from contactd.core.sequences.naming import refuse, subject_of
from contactd.core.sequences.nondetection import step_not_seen
from contactd.mission import bodies
from contactd.mission.statements.heard import (
    adopted_correction,
    correction_notes,
    heard_notes,
)
from contactd.mission.statements.scene import Scene
from contactd.mission.statements.types import (
    MOST_NAMES,
    Count,
    Length,
    Moment,
    Reading,
    SequenceName,
    Stated,
    StationName,
    StepName,
    TargetName,
    Text,
)
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, length, moment, outer

Body = dict[str, Any]
BACK_S = 86_400.0
LONGEST_WATCH_S = 60 * 86_400.0
HALF = "half the last digit"
FROM_FILE = "as the target's file says"
ELSE_HALF = f"{FROM_FILE}, else {HALF}"
_FORBID = ConfigDict(extra="forbid", populate_by_name=True)


@dataclasses.dataclass(frozen=True, slots=True)
class Shown:
    """How a field is shown to people; see :func:`field`."""

    label: str
    unsaid: str
    argument: bool
    option: str


def field(
    default: Any = ...,
    help_text: str = "",
    *,
    label: str = "",
    unsaid: str = "",
    argument: bool = False,
    option: str = "",
    alias: str | None = None,
    most: int | None = None,
) -> Any:
    """A field of a statement.

    Args:
        help_text: what it says, as a sentence.
        label: of the page's form.
        unsaid: what counts where nothing is given, in words.
        argument: a command's argument rather than an option.
        option: the option's name where it is not the field's.
        alias: the name outside, where Python keeps it for itself.
        most: of how many it is a list.
    """
    shown = Shown(label, unsaid, argument, option)
    given: dict[str, Any] = {"default_factory": list} if default == [] else {"default": default}
    made: Any = Field(**given, description=help_text, alias=alias, max_length=most)
    made.metadata.append(shown)
    return made


@dataclass(config=_FORBID, frozen=True, kw_only=True)
class Statement:
    """What somebody states."""

    verb: ClassVar[str] = ""
    kind: ClassVar[str] = ""
    title: ClassVar[str] = ""
    summary: ClassVar[str] = ""
    about: ClassVar[str] = ""
    """``target``, ``station`` or ``shift``, where it is about no sequence."""
    derived: ClassVar[frozenset[str]] = frozenset()
    """Keys of the body that follow from predictions, not from what was stated."""

    target: TargetName = field(label="Target")
    sequence: SequenceName | None = field(None, label="Sequence")
    note: Text = field("", "A note, kept in the record.", label="Note")

    def body(self, scene: Scene) -> Body:
        """The record's body.

        Raises:
            InputError: for what cannot be true or cannot be used.
        """
        raise NotImplementedError

    def subject(self, scene: Scene) -> str:
        """What the record is about."""
        step = getattr(self, "step", None)
        return subject_of(scene.of_sequence, step and scene.step(step))

    def notes(self, scene: Scene, body: Body) -> list[str]:
        """What whoever states it should know, beside what it changes."""
        return []


Kind = TypeVar("Kind", bound=Statement)


@dataclass_transform(kw_only_default=True, frozen_default=True, field_specifiers=(field,))
def statement(verb: str, kind: str, title: str, summary: str) -> Any:
    """Makes a class a kind of statement.

    Args:
        title: of the page's form.
        summary: one line for lists of commands.
    """

    def make(cls: type[Kind]) -> type[Kind]:
        tagged: Any = cls
        tagged.__annotations__ = {"enter": Literal[verb], **cls.__annotations__}
        tagged.enter, tagged.verb, tagged.kind = verb, verb, kind
        tagged.title, tagged.summary = title, summary
        made: Any = dataclass(config=_FORBID, frozen=True, kw_only=True)(tagged)
        return made  # type: ignore[no-any-return]

    return make


def amount(seconds: float) -> str:
    """``± 30 s``, ``± 0.5 s``, ``± 4 min 11 s``."""
    if seconds >= 10 and seconds == round(seconds):
        return f"± {length(seconds, NEAREST)}"
    return f"± {seconds:g} s"


def assumed(*texts: str) -> Body:
    """What was assumed for want of a statement, as the record keeps it."""
    said = "; ".join(text for text in texts if text)
    return {"assumed": said} if said else {}


@dataclass(config=_FORBID, frozen=True, kw_only=True)
class Bounded(Statement):
    """At a time, known to so much; or between two times."""

    at: Moment | None = field(None, "When it happened.", label="When")
    give_or_take: Length | None = field(
        None, "How far off that may be, earlier or later.", label="±", unsaid=HALF
    )
    earliest: Moment | None = field(None, "Or bounds: at this time or later.", label="Earliest")
    latest: Moment | None = field(None, "Or bounds: at this time or earlier.", label="Latest")

    def bounds(self, otherwise_s: float = 0.0) -> tuple[float, float, float, str]:
        """Earliest, best estimate and latest (instants, s), and what was assumed, in words.

        Args:
            otherwise_s: how far off a time without a stated error may be; 0 for half its last
                digit.
        """
        if (self.earliest is None) != (self.latest is None):
            missing = "earliest" if self.earliest is None else "latest"
            refuse(
                missing, "one bound", "both bounds, earliest and latest",
                f"Only one bound given. Add {missing}.",
            )  # fmt: skip
        if self.earliest is not None and self.latest is not None:
            if self.give_or_take is not None:
                refuse(
                    "give_or_take", "it beside both bounds", "one of the two ways",
                    "Both bounds and ± given. Keep one of the two.",
                )  # fmt: skip
            low, high = self.earliest.value_s, self.latest.value_s
            return low, low + (high - low) / 2 if self.at is None else self.at.value_s, high, ""
        if self.at is None:
            refuse(
                "at", "nothing", "a time, or both bounds",
                "No time given. Add a time, or earliest and latest.",
            )  # fmt: skip
        at, margin_s, said = self.at.value_s, self.give_or_take, ""
        if margin_s is None:
            margin_s = otherwise_s or self.at.half_digit_s
            said = f"time assumed: {amount(margin_s)}, {FROM_FILE if otherwise_s else HALF}"
        return at - margin_s, at, at + margin_s, said


@statement("plan", records.START_PLANNED, "A start is planned", "Record a planned start.")
class Plan(Bounded):
    """Record that SEQUENCE of TARGET is planned to start.

    With earliest and latest the start may come at any time between them, and will then be known to
    the error given.
    """

    at: Moment | None = field(None, "When it is to start.", label="When")
    give_or_take: Length | None = field(
        None, "How well the start will be known, earlier or later.", label="±", unsaid=ELSE_HALF
    )

    def body(self, scene: Scene) -> Body:
        known_to_s = scene.of_sequence.start.give_or_take_s
        if self.earliest is not None and self.latest is not None:
            if self.give_or_take is not None:
                known_to_s = self.give_or_take
            low, high = self.earliest.value_s, self.latest.value_s
            at = low + (high - low) / 2 if self.at is None else self.at.value_s
            return bodies.start_planned(at, known_to_s, earliest=low, latest=high)
        low, at, high, said = self.bounds(known_to_s)
        return bodies.start_planned(at, high - at) | assumed(said)


@statement("start", records.START_OBSERVED, "It started", "Record a start.")
class Start(Bounded):
    """Record that SEQUENCE of TARGET has started.

    Give the time and its error, or the earliest and the latest time.
    """

    give_or_take: Length | None = field(
        None, "How far off that may be, earlier or later.", label="±", unsaid=ELSE_HALF
    )
    sigma: Length | None = field(
        None, "Standard deviation of the time, where its error is normal.", label="Sigma"
    )

    def body(self, scene: Scene) -> Body:
        if self.sigma is not None and self.give_or_take is None and self.earliest is None:
            if self.at is None:
                self.bounds()
            assert self.at is not None
            return bodies.start_observed(
                self.at.value_s, 0.0, recorded_at=scene.now_s, sigma_s=self.sigma
            )
        low, at, high, said = self.bounds(scene.of_sequence.start.give_or_take_s)
        body = bodies.start_observed(
            at, recorded_at=scene.now_s, earliest=low, latest=high, sigma_s=self.sigma
        )
        return body | assumed(said)

    def notes(self, scene: Scene, body: Body) -> list[str]:
        expected = scene.of_sequence.start
        at = self.bounds(expected.give_or_take_s or 1.0)[1]
        if expected.earliest is None or expected.latest is None:
            return []
        if expected.earliest <= at <= expected.latest:
            return []
        bounds = f"{moment(expected.earliest, NO_LATER)} to {moment(expected.latest, NO_EARLIER)}"
        return [f"{moment(at, NEAREST)} is outside the start in the target's file, {bounds}."]


@statement("attempt", records.START_ATTEMPTED, "It may have started", "Record a possible start.")
class Attempt(Bounded):
    """Record that something may have started SEQUENCE of TARGET.

    The sequence is then in doubt: everything hazardous counts as running until a step is confirmed,
    is credibly not seen, or a decision is recorded.
    """

    why: Text = field("", "Why, kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        low, _, high, said = self.bounds()
        body = bodies.start_attempted(low, high, recorded_at=scene.now_s, why=self.why)
        return body | assumed(said)


@statement("no-start", records.START_REFUTED, "It did not start", "Record that it did not start.")
class NoStart(Statement):
    """Record that SEQUENCE of TARGET did not start, and how that is known."""

    why: Text = field(help_text="How that is known; kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        return bodies.start_refuted(self.why.strip())


@statement("setting", records.SETTING_CHOSEN, "A timer was set", "Record a timer's setting.")
class Setting(Statement):
    """Record that STEP in SEQUENCE of TARGET is set to SETTING."""

    step: StepName = field(label="Step", argument=True)
    setting: Length = field(help_text="What it is set to.", label="Set to", argument=True)

    def body(self, scene: Scene) -> Body:
        return bodies.setting_chosen(scene.of_sequence, scene.step(self.step), self.setting)


@statement("reading", records.READING, "A countdown was read", "Record a countdown reading.")
class CountdownReading(Statement):
    """Record what a countdown of SEQUENCE of TARGET showed.

    More readings only narrow what is known; one that contradicts the others is kept, named, and
    changes nothing.
    """

    step: StepName | None = field(
        None, "Whose countdown.", label="Step", unsaid="time since the start"
    )
    at: Moment = field(help_text="When it was read (not when it is entered).", label="Read at")
    remaining: Reading | None = field(None, "What it showed as remaining.", label="Remaining")
    elapsed: Reading | None = field(None, "Or what it showed as elapsed.", label="Elapsed")
    error: Length | None = field(
        None, "How far off the reading may be, more or less.", label="Error, ±", unsaid=HALF
    )
    at_error: Length | None = field(
        None, "How far off the time may be, earlier or later.", label="Time error, ±", unsaid=HALF
    )
    unit: Text | None = field(
        None, "Which timer unit, where several drive the step.", label="Timer unit"
    )

    def body(self, scene: Scene) -> Body:
        shown = self.remaining or self.elapsed
        if shown is None or (self.remaining and self.elapsed):
            found = "neither" if shown is None else "both"
            refuse("remaining", found, "either the remaining or the elapsed time",
                   "Give what the countdown showed: either remaining or elapsed.")  # fmt: skip
        error_s, at_error_s, said = self.error, self.at_error, []
        if error_s is None:
            error_s = shown.half_digit_s
            said.append(f"error assumed: {amount(error_s)}, {HALF}")
        if at_error_s is None:
            at_error_s = self.at.half_digit_s
            said.append(f"time assumed: {amount(at_error_s)}, {HALF}")
        body = bodies.reading(
            scene.of_sequence,
            None if self.step is None else scene.step(self.step),
            self.at.value_s,
            recorded_at=scene.now_s,
            remaining_s=None if self.remaining is None else self.remaining.value_s,
            elapsed_s=None if self.elapsed is None else self.elapsed.value_s,
            error_s=error_s,
            at_error_s=at_error_s,
            unit=self.unit,
        )
        return body | assumed(*said)


@statement("confirmed", records.STEP_SEEN, "A step is confirmed", "Record a step's seen effect.")
class Confirmed(Statement):
    """Record that the effect of STEP in SEQUENCE of TARGET was seen."""

    step: StepName = field(label="Step", argument=True)
    at: Moment | None = field(
        None, "When it was seen: it had expired by then.", label="Seen at", unsaid="now"
    )
    earliest: Moment | None = field(
        None, "The last time at which it had not yet happened, if known.", label="Not yet at"
    )
    how: Text = field("", "How it was seen (telemetry, camera …).", label="How")

    def body(self, scene: Scene) -> Body:
        return bodies.step_seen(
            scene.of_sequence,
            scene.step(self.step),
            _or_now(self.at, scene),
            recorded_at=scene.now_s,
            earliest=None if self.earliest is None else self.earliest.value_s,
            by=self.how,
        )


@statement(
    "not-confirmed",
    records.STEP_NOT_SEEN,
    "A step is not confirmed",
    "Record a step that was watched for and not seen.",
)
class NotConfirmed(Statement):
    """Record that STEP of SEQUENCE of TARGET was watched for, and not seen.

    It proves that the step did not happen only if contacts certainly covered every moment at which
    it may have expired. Otherwise it is kept, and changes nothing.
    """

    derived = frozenset({"refutes", "why", "stations"})

    step: StepName = field(label="Step", argument=True)
    watched_from: Moment = field(
        help_text="Watched from this time", label="Watched from", alias="from"
    )
    watched_to: Moment | None = field(
        None, "to this time.", label="Watched to", alias="to", unsaid="now"
    )
    stations: list[StationName] = field(
        [], "Who watched.", label="Stations", unsaid="every station", option="station",
        most=MOST_NAMES,
    )  # fmt: skip

    def body(self, scene: Scene) -> Body:
        first, last = self.watched_from.value_s, _or_now(self.watched_to, scene)
        span = (min(first, last) - BACK_S, max(scene.now_s, last) + BACK_S)
        if span[1] - span[0] > LONGEST_WATCH_S:
            expected = "a watch within the last sixty days"
            refuse("from", moment(first, NEAREST), expected, "from: too long ago. Use 60 days.")
        names = frozenset(map(scene.station, self.stations))
        prediction = scene.coverage(span)
        return step_not_seen(
            scene.of_sequence,
            scene.knowledge,
            scene.step(self.step),
            first,
            last,
            prediction.outlook.services,
            prediction.outlook.span,
            recorded_at=scene.now_s,
            stations=names or None,
            conditions=prediction.conditions,
        )

    def notes(self, scene: Scene, body: Body) -> list[str]:
        return [] if body["refutes"] else [f"This proves nothing: {body['why']}."]


Heard = Literal["yes", "no", "in-doubt"]


@statement("sent", records.COMMAND_SENT, "A command was sent", "Record a sent command.")
class Sent(Bounded):
    """Record that COMMAND was sent for SEQUENCE of TARGET.

    COMMAND is stop, hold, resume, start, or free text. That it took effect is another record. Until
    it is known that the satellite heard it, countdowns that it restarts are forecast both ways.
    """

    command: Text = field(
        help_text="stop, hold, resume, start, or its name.", label="Command", argument=True
    )
    step: StepName | None = field(None, "For this step alone.", label="Step")
    at: Moment | None = field(None, "When it was sent.", label="Sent at", unsaid="now")
    station: StationName | None = field(None, "The station that sent it.", label="Station")
    heard: Heard = field(
        "in-doubt", "Whether the satellite is known to have heard it.", label="Heard"
    )

    def body(self, scene: Scene) -> Body:
        station = "" if self.station is None else scene.station(self.station)
        if self.at is None and self.earliest is None and self.latest is None:
            low, at, high, said = scene.now_s, scene.now_s, scene.now_s, ""
        else:
            low, at, high, said = self.bounds()
        heard = self.heard.replace("-", " ")
        made = bodies.command_sent(
            (low, at, high), self.command, heard, recorded_at=scene.now_s, station=station
        )
        return made | assumed(said)

    def notes(self, scene: Scene, body: Body) -> list[str]:
        stops = self.step is not None and self.command.strip().casefold() == "stop"
        return _stop_notes(scene, self.step) if stops else []


@statement("heard", records.COMMAND_HEARD, "A command was heard", "Record whether it was heard.")
class CommandHeard(Statement):
    """Record whether the satellite heard a command that was sent for SEQUENCE of TARGET.

    Countdowns that the command restarts count from it, or do not.
    """

    sent: Count = field(help_text="Number of the record of the sent command.", label="Record of it")
    heard: Heard = field(help_text="Whether it was heard.", label="Heard", argument=True)

    def body(self, scene: Scene) -> Body:
        known = [each.record for each in scene.knowledge.commands]
        if self.sent not in known:
            told = ", ".join(map(str, known)) or "none is recorded"
            refuse(
                "sent", str(self.sent), f"the record of a sent command: {told}",
                f"Record {self.sent} is no sent command of this sequence. Use one of: {told}.",
            )  # fmt: skip
        return {"sent": self.sent, "heard": self.heard.replace("-", " ")}


@statement("contact", records.CONTACT_HELD, "A contact was held", "Record a contact that was held.")
class ContactHeld(Bounded):
    """Record that STATION was in contact with TARGET: it restarts countdowns that go by contacts.

    SEQUENCE is the one whose countdowns do.
    """

    station: StationName = field(help_text="The station.", label="Station", argument=True)

    def body(self, scene: Scene) -> Body:
        low, _, high, said = self.bounds()
        station = scene.station(self.station)
        made = bodies.contact_held(low, high, recorded_at=scene.now_s, station=station)
        return made | assumed(said)


@statement("stopped", records.SEQUENCE_STOPPED, "It is stopped", "Record a stop that took effect.")
class Stopped(Statement):
    """Record that the stop of SEQUENCE of TARGET, or of one step, took effect.

    Record it when the satellite has confirmed it, not when the command was sent (that is
    `contactd record sent`): a stopped step no longer keeps anybody clear.
    """

    step: StepName | None = field(None, "Of this step alone.", label="Step")
    at: Moment | None = field(
        None, "When the stop took effect.", label="Took effect at", unsaid="now"
    )
    why: Text = field("", "Why, kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        return bodies.stopped(_or_now(self.at, scene), recorded_at=scene.now_s, why=self.why)

    def notes(self, scene: Scene, body: Body) -> list[str]:
        return _stop_notes(scene, self.step)


@dataclass(config=_FORBID, frozen=True, kw_only=True)
class _Event(Bounded):
    why: Text = field("", "Why, kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        low, _, high, said = self.bounds()
        return bodies.event(low, high, recorded_at=scene.now_s, why=self.why) | assumed(said)


@statement("hold", records.SEQUENCE_HELD, "Countdowns are held", "Record held countdowns.")
class Hold(_Event):
    """Record that the countdowns of SEQUENCE of TARGET, or of one step, stand still."""

    step: StepName | None = field(None, "Of this step alone.", label="Step")


@statement("resume", records.SEQUENCE_RESUMED, "Countdowns run on", "Record resumed countdowns.")
class Resume(_Event):
    """Record that held countdowns of SEQUENCE of TARGET, or of one step, run on."""

    step: StepName | None = field(None, "Of this step alone.", label="Step")


@statement("power-loss", records.POWER_LOSS, "Power was lost aboard", "Record a loss of power.")
class PowerLoss(_Event):
    """Record that the clocks of SEQUENCE of TARGET lost their power."""


Verdict = Literal["started", "not-started", "reading-wrong", "acted", "did-not-act"]


@statement("decision", records.RULING, "A decision", "Record a decision.")
class Decision(Statement):
    """Record a decision on SEQUENCE of TARGET, or on one of its steps, and its reason.

    DECISION is started, not-started or reading-wrong for a sequence, acted or did-not-act for a
    step. For started, give earliest and latest where no bounds are known.
    """

    decision: Verdict = field(
        help_text="What is decided to be the case.", label="Decision", argument=True
    )
    step: StepName | None = field(None, "On this step.", label="Step")
    why: Text = field(help_text="The reason; kept in the record.", label="Reason")
    at: Moment | None = field(
        None, "For acted: it had acted by then.", label="Acted by", unsaid="now"
    )
    earliest: Moment | None = field(None, "For started: not before this time.", label="Earliest")
    latest: Moment | None = field(None, "For started: not after this time.", label="Latest")
    reading: Count | None = field(
        None, "For reading-wrong: number of that reading's record.", label="Record of the reading"
    )

    def body(self, scene: Scene) -> Body:
        return bodies.ruling(
            self.decision.replace("-", " "),
            self.why.strip(),
            recorded_at=scene.now_s,
            step=None if self.step is None else scene.step(self.step),
            earliest=None if self.earliest is None else self.earliest.value_s,
            latest=None if self.latest is None else self.latest.value_s,
            at=None if self.at is None else self.at.value_s,
            reading_record=self.reading,
            knowledge=scene.knowledge,
            sequence=scene.sequence,
        )


@statement("missed", records.CONTACT_MISSED, "A contact was missed", "Record a missed contact.")
class Missed(Statement):
    """Record that STATION missed a contact of TARGET, or is missing it now.

    It then covers no step, and no command can be sent through it.
    """

    about = "target"

    station: StationName = field(label="Station", argument=True)
    at: Moment | None = field(None, "A moment in the contact.", label="At", unsaid="now")
    until: Moment | None = field(
        None, "When the station has it again.", label="Until", unsaid="not in this contact"
    )
    why: Text = field("", "Why, kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        at, station = _or_now(self.at, scene), scene.station(self.station)
        until = None if self.until is None else self.until.value_s
        contacts = () if at > scene.now_s else self._around(scene, at)
        return missed_contact(contacts, station, at, scene.now_s, until, self.why)

    def subject(self, scene: Scene) -> str:
        return scene.target.name if scene.target is not None else ""

    def notes(self, scene: Scene, body: Body) -> list[str]:
        at, station = _or_now(self.at, scene), str(body["station"])
        contacts = self._around(scene, at)
        if contact_at(contacts, station, at) is not None:
            return []
        assert scene.target is not None
        near = min(
            (each for each in contacts if each.station == station),
            key=lambda each: min(abs(each.aos - at), abs(each.los - at)),
            default=None,
        )
        nearest = "" if near is None else (
            f" Nearest: {moment(near.aos, NEAREST)} to {moment(near.los, NEAREST)}."
        )  # fmt: skip
        return [
            f"No contact of {scene.target.name} with {station} is predicted at "
            f"{moment(at, NEAREST)}.{nearest}"
        ]

    def _around(self, scene: Scene, at: float) -> list[Any]:
        span = (at - LOOKED_AT_S, at + LOOKED_AT_S)
        return list(scene.coverage(span).outlook.contacts)


@dataclass(config=_FORBID, frozen=True, kw_only=True)
class _Edge(Statement):
    """The first or the last signal of a contact."""

    about = "target"

    station: StationName = field(label="Station", argument=True)
    at: Moment = field(help_text="When, by the station's clock.", label="At")
    error: Length | None = field(
        None, "How far off the time may be, earlier or later.", label="±", unsaid=HALF
    )

    def body(self, scene: Scene) -> Body:
        error_s, said = self.error, ""
        if error_s is None:
            error_s = self.at.half_digit_s
            said = f"time assumed: {amount(error_s)}, {HALF}"
        station = scene.station(self.station)
        body = bodies.reception(station, self.at.value_s, error_s, recorded_at=scene.now_s)
        return body | assumed(said)

    def subject(self, scene: Scene) -> str:
        return scene.target.name if scene.target is not None else ""

    def notes(self, scene: Scene, body: Body) -> list[str]:
        assert scene.target is not None
        return heard_notes(scene, scene.stations[str(body["station"])], self.verb, body)


@statement("aos", records.AOS_OBSERVED, "A signal was acquired", "Record an observed AOS.")
class Aos(_Edge):
    """Record when STATION first received TARGET in a contact.

    Acquisition is only ever late: the target stood above the station's lowest horizon by then. What
    several such times teach of the orbit is shown by `contactd orbit`.
    """


@statement("los", records.LOS_OBSERVED, "A signal was lost", "Record an observed LOS.")
class Los(_Edge):
    """Record when STATION last received TARGET in a contact.

    Loss is only ever early: the target still stood above the station's lowest horizon. What several
    such times teach of the orbit is shown by `contactd orbit`.
    """


Correcting = Literal["adopt", "drop"]


@statement(
    "correction",
    records.MOTION_CORRECTED,
    "The motion is corrected",
    "Adopt or drop a corrected motion.",
)
class Correct(Statement):
    """Adopt what observations teach of TARGET's motion, or drop it again.

    Contacts, coverage and stop-by then rest on the elements as corrected, with their own bound,
    until it is dropped or newer elements explain what was observed. `contactd orbit` shows what is
    to be adopted.
    """

    about = "target"

    correcting: Correcting = field(
        help_text="adopt or drop.", label="Corrected motion", argument=True
    )
    why: Text = field("", "Why, kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        assert scene.target is not None
        why = {"why": self.why.strip()} if self.why.strip() else {}
        if self.correcting == "drop":
            return {"adopt": False} | why
        return adopted_correction(scene) | why

    def subject(self, scene: Scene) -> str:
        return scene.target.name if scene.target is not None else ""

    def notes(self, scene: Scene, body: Body) -> list[str]:
        return correction_notes(scene, body)


Condition = Literal["out", "degraded", "back"]


@statement("station", records.STATION_STATUS, "A station's status", "Record a station's status.")
class StationState(Statement):
    """Record that STATION is out, degraded or back, from now on or from another time.

    Out: nothing is planned through it. Degraded: it may work, but no step and no stop counts on it.
    Back: what was recorded of it ends. Outages in files and calendars stand beside all that.
    """

    about = "station"

    target: TargetName = field("", "Nothing: it is about a station.", label="Target")
    station: StationName = field(label="Station", argument=True)
    status: Condition = field(help_text="What it is.", label="Status", argument=True)
    begins: Moment | None = field(
        None, "From this time.", label="From", unsaid="now", alias="from", option="from"
    )
    until: Moment | None = field(
        None, "Until this time.", label="Until", unsaid="until further notice"
    )
    why: Text = field("", "Why, kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        if self.target or self.sequence:
            refuse(
                "target", repr(self.target or self.sequence), "no target: it is about a station",
                "A station's status has no target. Leave it out.",
            )  # fmt: skip
        scene.station(self.station)
        return bodies.station_status(
            self.status,
            _or_now(self.begins, scene),
            None if self.until is None else self.until.value_s,
            self.why,
        )

    def subject(self, scene: Scene) -> str:
        return scene.station(self.station)

    def notes(self, scene: Scene, body: Body) -> list[str]:
        station = scene.stations[scene.station(self.station)]
        start, until = from_text(str(body["from"])), body.get("until")
        end = FOREVER if until is None else from_text(str(until))
        out = outage_in(start, end, station.configured or station)
        if self.status == "out" or out is None:
            return []
        why = f": {out.why}" if out.why else ""
        return [
            f"The configuration has {station.name} out {outer(out.start, out.end)}{why}. "
            "Change it there if that no longer holds."
        ]


@statement(
    "definition", records.DEFINITION_CONFIRMED, "The file is right", "Confirm a changed file."
)
class Definition(Statement):
    """Record that what TARGET's file says of SEQUENCE now is what runs aboard.

    Until then what runs is watched as the file had it when it began.
    """

    why: Text = field(help_text="How that is known; kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        return _reason(self.why)


@statement("retired", records.RETIRED, "It is there no longer", "Record that something is gone.")
class Retired(Statement):
    """Record that a target, or one of its sequences, is no longer to be watched.

    It counts once the files no longer have it: what runs is watched until then.
    """

    target: TargetName = field("", "This target.", label="Target", unsaid="none")
    sequence: SequenceName | None = field(None, "This sequence of it alone.", label="Sequence")
    why: Text = field(help_text="Why; kept in the record.", label="Reason")

    def body(self, scene: Scene) -> Body:
        if scene.target is None:
            refuse("target", "nothing", "what is retired", "No target given. Add --target NAME.")
        return _reason(self.why)

    def subject(self, scene: Scene) -> str:
        if scene.sequence is not None:
            return subject_of(scene.sequence)
        assert scene.target is not None
        return scene.target.name


class _OfShift(Statement):
    """About the shift as a whole: it has no target."""

    about: ClassVar[str] = "shift"

    def subject(self, scene: Scene) -> str:
        return "contactd"


@statement("handover", records.HANDOVER_GIVEN, "The shift is handed over", "Hand over the shift.")
class HandOver(_OfShift):
    """Record that the shift is handed over, with every open hazard, stop and doubt.

    Whoever takes over reads each of them back (`contactd record read-back`). What is not read back
    in time is a warning.
    """

    derived = frozenset({"items"})

    target: TargetName = field("", "Nothing: it is about the shift.", label="Target")
    to: Text = field("", "Who takes over.", label="To", unsaid="whoever reads back")
    within: Length = field(
        WITHIN_S, "In which time all is to be read back.", label="Within", unsaid="15 min"
    )

    def body(self, scene: Scene) -> Body:
        return handover_body(scene.open_items(), self.to.strip(), self.within)

    def notes(self, scene: Scene, body: Body) -> list[str]:
        if not body["items"]:
            return ["No hazard, stop or doubt is open: nothing has to be read back."]
        return [
            f"{number}. {each['about']}: {each['kind']}: {each['what']}"
            for number, each in enumerate(body["items"], 1)
        ]


@statement(
    "read-back", records.HANDOVER_CONFIRMED, "A handover is read back", "Read back a handover."
)
class ReadBackItems(_OfShift):
    """Record that whoever takes over has understood ITEM of the last handover, in their own words.

    Give the numbers of the items. Without words they are confirmed by a tick alone.
    """

    target: TargetName = field("", "Nothing: it is about the shift.", label="Target")
    items: list[Count] = field(
        ..., "Number of an item of the handover.", label="Items", option="item", most=MOST_ITEMS
    )
    words: Text = field("", "What it is, in your own words.", label="In your own words")

    def body(self, scene: Scene) -> Body:
        given = scene.handover
        if given is None:
            says = "No shift was handed over. Record a handover first."
            refuse("items", "nothing", "a shift that was handed over", says)
        if scene.author.strip().casefold() == given.author.strip().casefold():
            says = f"{given.author} handed over. Whoever takes over reads back."
            refuse("by", repr(scene.author), "whoever takes over", says)
        numbers = sorted(set(self.items))
        wrong = [each for each in numbers if each > len(given.items)]
        if not numbers or wrong:
            found = "nothing" if not numbers else str(wrong[0])
            says = f"items: give numbers from 1 to {len(given.items)}."
            refuse("items", found, f"numbers from 1 to {len(given.items)}", says)
        return {"handover": given.number, "items": numbers, "words": self.words.strip()}

    def notes(self, scene: Scene, body: Body) -> list[str]:
        assert scene.handover is not None
        left = [each for each in scene.handover.unconfirmed if each not in body["items"]]
        if not left:
            return ["All is read back."]
        return [f"Still to be read back: {', '.join(map(str, left))}."]


@statement("remark", records.REMARK, "A remark", "Record a remark.")
class Remark(Statement):
    """Record a remark, for whoever reads on."""

    target: TargetName = field("", "About this target.", label="Target", unsaid="the service")
    sequence: SequenceName | None = field(None, "About this sequence of it.", label="Sequence")
    text: Text = field(help_text="The remark.", label="Remark", argument=True)

    def body(self, scene: Scene) -> Body:
        if not self.text.strip():
            raise InputError("a remark", "nothing", "text", says="Remark is empty. Enter it.")
        return {"text": self.text.strip()}

    def subject(self, scene: Scene) -> str:
        if scene.sequence is not None:
            return subject_of(scene.sequence)
        return scene.target.name if scene.target is not None else "contactd"


STATEMENTS: tuple[type[Statement], ...] = (
    Start,
    Attempt,
    NoStart,
    Plan,
    Setting,
    CountdownReading,
    Confirmed,
    NotConfirmed,
    Sent,
    CommandHeard,
    ContactHeld,
    Stopped,
    Hold,
    Resume,
    PowerLoss,
    Decision,
    Missed,
    Aos,
    Los,
    Correct,
    StationState,
    Definition,
    Retired,
    HandOver,
    ReadBackItems,
    Remark,
)
BY_VERB = {each.verb: each for each in STATEMENTS}


def _reason(why: str) -> Body:
    if not why.strip():
        raise InputError("a reason", "nothing", "why", says="Reason is empty. Enter it.")
    return {"why": why.strip()}


def _or_now(given: Stated | None, scene: Scene) -> float:
    return scene.now_s if given is None else given.value_s


def _stop_notes(scene: Scene, given: str | None) -> list[str]:
    """Which step's stop is meant, where the named one cannot be stopped by a command."""
    if given is None:
        return []
    steps = {each.name: each for each in scene.of_sequence.steps}
    name = scene.step(given)
    if steps[name].stop is not None:
        return []
    seen, queue, found = {name}, list(steps[name].after), []
    while queue:
        before = steps[queue.pop(0)]
        if before.name in seen:
            continue
        seen.add(before.name)
        queue += before.after
        if before.stop is not None and before.stop.stops_later_steps:
            found.append(before.name)
    if not found:
        return [f"No command stops {name!r}: neither it nor a step before it has a stop."]
    meant = " or ".join(map(repr, found))
    return [
        f"{name!r} has no stop of its own; the stop of {meant} stops it too. If that was sent, "
        f"record it with step {meant}."
    ]
