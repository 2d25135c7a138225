"""What is known of a sequence, as plain values. ``knowledge.learn`` folds the records into it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from contactd.core.sequences.model import Start


@dataclass(frozen=True, slots=True)
class Reading:
    """A countdown's value seen aboard.

    Attributes:
        step: the step whose countdown it is; None for the time elapsed since the start.
        at, at_error_s: when it was read (instant, s), and the bound of that, both ways.
        remaining_s, elapsed_s: what was read, in seconds of the onboard clock; one of them.
        error_s: bound of the value's error, both ways.
        unit: the timer unit that was read; None for the one that drives the step.
        record: number of the record.
    """

    step: str | None
    at: float
    remaining_s: float | None = None
    elapsed_s: float | None = None
    error_s: float = 0.0
    at_error_s: float = 0.0
    unit: str | None = None
    record: int = 0


@dataclass(frozen=True, slots=True)
class Seen:
    """A step's effect was seen: it happened from ``earliest`` (if known) to ``latest``."""

    latest: float
    earliest: float | None = None
    record: int = 0


@dataclass(frozen=True, slots=True)
class NotSeen:
    """A step's effect was watched for from ``start`` to ``end`` and not seen.

    ``refutes`` says whether that was accepted as proof that it did not happen; ``why`` says why.
    """

    start: float
    end: float
    refutes: bool = False
    why: str = ""
    record: int = 0


@dataclass(frozen=True, slots=True)
class Bounded:
    """An event known within bounds (instants, s): an attempt, a power loss, a hold."""

    earliest: float
    latest: float
    why: str = ""
    record: int = 0


@dataclass(frozen=True, slots=True)
class Hold:
    """Countdowns stood still from ``held`` until ``resumed``; None while they still do.

    ``step`` is None where the whole sequence was held.
    """

    held: Bounded
    resumed: Bounded | None = None
    step: str | None = None


class Heard(StrEnum):
    """Whether the satellite heard a command."""

    YES = "yes"
    NO = "no"
    IN_DOUBT = "in doubt"


@dataclass(frozen=True, slots=True)
class Command:
    """A command that was sent, known within bounds (instants, s).

    What it did aboard is another record's matter; that it was heard restarts the countdowns that go
    by it.
    """

    at: float
    command: str
    step: str | None = None
    station: str = ""
    record: int = 0
    earliest: float = 0.0
    latest: float = 0.0
    heard: Heard = Heard.IN_DOUBT


@dataclass(frozen=True, slots=True)
class HeldContact:
    """A contact that was held, known within bounds (instants, s)."""

    earliest: float
    latest: float
    station: str = ""
    record: int = 0


@dataclass(frozen=True, slots=True)
class Ruling:
    """What an operator has decided to be the case."""

    ruling: str
    step: str | None = None
    author: str = ""
    why: str = ""
    record: int = 0


@dataclass(frozen=True, slots=True)
class Conflict:
    """A record that contradicts what was known, or cannot be read."""

    text: str
    record: int = 0


@dataclass(frozen=True, slots=True)
class SequenceKnowledge:
    """All that the records say of one sequence.

    Attributes:
        start: what is known of the start; None while the records say nothing of it, and the
            configured start holds.
        settings: chosen settings in seconds, by step; they override the configured ones.
        setting_records: numbers of the records that chose them, by step.
        seen, not_seen: by step.
        stopped_steps: when each step was stopped by itself (instant, s), by step.
        inert_steps: steps that were ruled not to act.
        attempts: moments at which something may have started it; while there are any, ``start`` is
            what they leave possible.
        attempted_over: the start that stood in the records before the first of the attempts; None
            where they said nothing of it, and the configured start stood.
        run_before: all that was known of the run before, where the attempts may have begun a new
            one: refuted attempts bring it back.
        attempts_refuted_at: until when (instant, s) attempts did not start it; a start that is
            configured for later still stands.
    """

    start: Start | None = None
    settings: Mapping[str, float] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
    seen: Mapping[str, Seen] = field(default_factory=dict)
    not_seen: Mapping[str, NotSeen] = field(default_factory=dict)
    stopped_steps: Mapping[str, float] = field(default_factory=dict)
    inert_steps: frozenset[str] = frozenset()
    power_losses: tuple[Bounded, ...] = ()
    holds: tuple[Hold, ...] = ()
    attempts: tuple[Bounded, ...] = ()
    commands: tuple[Command, ...] = ()
    contacts_held: tuple[HeldContact, ...] = ()
    rulings: tuple[Ruling, ...] = ()
    conflicts: tuple[Conflict, ...] = ()
    setting_records: Mapping[str, int] = field(default_factory=dict)
    attempted_over: Start | None = None
    run_before: SequenceKnowledge | None = None
    attempts_refuted_at: float | None = None
