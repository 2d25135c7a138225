"""Learning from records: the fold that makes a sequence's knowledge.

``learn`` takes the knowledge so far and one record, and gives the knowledge after it. A record that
contradicts what is known, or that cannot be read, leaves the last consistent state in force and is
kept among the ``conflicts``; no record makes it raise.

An attempt adds to what may have started the sequence. A start that was observed stands beside it;
one in doubt is joined; a planned one waits until the attempt is decided, and is in force again when
the attempt is refuted. What is configured is joined in
:func:`contactd.core.sequences.expiry.known_start`, for the records do not know of it.

A start observed, planned or attempted after the sequence was stopped or refuted begins a new run:
readings, sightings, holds and power losses of the run before no longer count. Settings stay.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from contactd.core import record as kinds
from contactd.core.instants import from_text, to_text
from contactd.core.record import Record
from contactd.core.sequences.known import (
    Bounded,
    Command,
    Conflict,
    Heard,
    HeldContact,
    Hold,
    NotSeen,
    Reading,
    Ruling,
    Seen,
    SequenceKnowledge,
)
from contactd.core.sequences.model import Start, StartStatus

__all__ = ["CONCERNS_SEQUENCES", "SequenceKnowledge", "learn", "parts_of"]

STARTED, NOT_STARTED = "started", "not started"
# Times in bodies are text, rounded to the microsecond: the present may come out after itself.
TEXT_ROUNDING_S: Final = 1e-5
ACTED, DID_NOT_ACT = "acted", "did not act"
READING_WRONG = "reading wrong"
RULINGS_ON_SEQUENCE: Final = (STARTED, NOT_STARTED, READING_WRONG)
RULINGS_ON_STEP: Final = (ACTED, DID_NOT_ACT)


class _Contradiction(Exception):
    """The record contradicts what is known."""


def parts_of(subject: str) -> tuple[str, str, str | None]:
    """Target, sequence and step (None for the whole sequence) of a record's subject."""
    pieces = [*subject.split("/", 2), "", ""]
    return pieces[0], pieces[1], pieces[2] or None


def learn(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    """The knowledge after one more record; unchanged for a kind that concerns no sequence."""
    teach = _TEACH.get(record.kind)
    if teach is None:
        return knowledge
    try:
        return teach(knowledge, record)
    except _Contradiction as problem:
        text = str(problem)
    except KeyError as problem:
        text = f"its body lacks {problem}"
    except (TypeError, ValueError) as problem:
        text = f"it cannot be read: {problem}"
    return _note(knowledge, record, f"not applied: {text}")


def _note(knowledge: SequenceKnowledge, record: Record, text: str) -> SequenceKnowledge:
    conflict = Conflict(f"record {record.number} ({record.kind}) {text}", record.number)
    return replace(knowledge, conflicts=(*knowledge.conflicts, conflict))


def _new_run(knowledge: SequenceKnowledge, start: Start) -> SequenceKnowledge:
    """A start that begins a new run, or corrects the present one."""
    before = knowledge.start
    if before is not None and before.status in (StartStatus.STOPPED, StartStatus.REFUTED):
        return SequenceKnowledge(
            start=start,
            settings=knowledge.settings,
            setting_records=knowledge.setting_records,
            rulings=knowledge.rulings,
            conflicts=knowledge.conflicts,
        )
    return replace(
        knowledge,
        start=start,
        attempts=(),
        attempted_over=None,
        run_before=None,
        attempts_refuted_at=None,
    )


def _bounds(body: Mapping[str, Any]) -> tuple[float, float]:
    earliest, latest = _instant(body, "earliest"), _instant(body, "latest")
    if earliest > latest:
        raise ValueError(f"earliest {body['earliest']} lies after latest {body['latest']}")
    return earliest, latest


def _instant(body: Mapping[str, Any], key: str) -> float:
    text = body[key]
    if not isinstance(text, str):
        raise TypeError(f"{key} is {text!r}; a UTC time is expected")
    return from_text(text)


def _seconds(body: Mapping[str, Any], key: str) -> float:
    """Seconds under a key, zero where it is absent."""
    value = float(body.get(key, 0.0))
    if not 0 <= value < math.inf:
        raise ValueError(f"{key} is {value}; a duration is expected")
    return value


def _event(record: Record) -> Bounded:
    earliest, latest = _bounds(record.body)
    return Bounded(earliest, latest, str(record.body.get("why", "")), record.number)


def _start_of(record: Record, status: StartStatus) -> Start:
    body = record.body
    earliest, latest = _bounds(body)
    nominal = _instant(body, "nominal") if body.get("nominal") else earliest + latest
    if not body.get("nominal"):
        nominal /= 2
    if not earliest - 1e-5 <= nominal <= latest + 1e-5:
        raise ValueError(f"nominal {body['nominal']} lies outside the bounds")
    sigma = body.get("sigma_s")
    return Start(
        status=status,
        earliest=earliest,
        nominal=min(max(nominal, earliest), latest),
        latest=latest,
        record=record.number,
        give_or_take_s=_seconds(body, "give_or_take_s"),
        sigma_s=None if sigma is None else _seconds(body, "sigma_s"),
    )


def _planned(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    if knowledge.start is not None and knowledge.start.may_run:
        raise _Contradiction(
            f"a start was planned although the present one is {knowledge.start.status} (record "
            f"{knowledge.start.record}); refute that start or stop the sequence first"
        )
    return _new_run(knowledge, _start_of(record, StartStatus.EXPECTED))


def _observed(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    start = _start_of(record, StartStatus.OBSERVED)
    before = knowledge.start
    if before is not None and before.status is StartStatus.STOPPED and before.stopped_at:
        assert start.latest is not None
        if start.latest <= before.stopped_at:
            raise _Contradiction(
                f"this start lies before the stop at {to_text(before.stopped_at)} "
                f"(record {before.record}), which stands"
            )
    return _new_run(knowledge, start)


def _refuted(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    if knowledge.seen:
        step, seen = next(iter(knowledge.seen.items()))
        raise _Contradiction(
            f"the start cannot be refuted: {step} was seen by {to_text(seen.latest)} "
            f"(record {seen.record}); an operator must rule on it"
        )
    return _without_start(knowledge, record)


def _without_start(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    """It has not started: what may have started it falls away, what is planned for later stays."""
    start = replace(knowledge.start or Start(), status=StartStatus.REFUTED, record=record.number)
    if not knowledge.attempts:
        return replace(knowledge, start=start)
    if knowledge.run_before is not None:
        return replace(
            knowledge.run_before,
            settings=knowledge.settings,
            setting_records=knowledge.setting_records,
            rulings=knowledge.rulings,
            conflicts=knowledge.conflicts,
        )
    over = knowledge.attempted_over
    if over is not None:
        start = planned_after(over, record.at) or start
    return replace(
        knowledge,
        start=start,
        attempts=(),
        attempted_over=None,
        attempts_refuted_at=record.at if over is None else None,
    )


def planned_after(start: Start, instant: float) -> Start | None:
    """What is left of a planned start that has not come by an instant (s); None if nothing is."""
    if start.status is not StartStatus.EXPECTED or start.earliest is None or start.latest is None:
        return None
    if start.latest <= instant:
        return None
    earliest = max(start.earliest, instant)
    nominal = None if start.nominal is None else max(start.nominal, earliest)
    return replace(start, earliest=earliest, nominal=nominal)


def _stopped(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    at = _instant(record.body, "at")
    step = parts_of(record.subject)[2]
    if step is not None:
        seen = knowledge.seen.get(step)
        if seen is not None and seen.latest <= at:
            raise _Contradiction(
                f"{step} cannot be stopped at {to_text(at)}: it was seen by "
                f"{to_text(seen.latest)} (record {seen.record})"
            )
        return replace(knowledge, stopped_steps={**knowledge.stopped_steps, step: at})
    start = knowledge.start or Start()
    # Beside an attempt a configured start may stand, of which the records do not know.
    if start.earliest is not None and at < start.earliest and not knowledge.attempts:
        raise _Contradiction(
            f"the stop at {to_text(at)} lies before the earliest start {to_text(start.earliest)} "
            f"(record {start.record})"
        )
    stopped = replace(start, status=StartStatus.STOPPED, stopped_at=at, record=record.number)
    return replace(knowledge, start=stopped)


def _setting(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    step = _step_of(record)
    if "setting_s" not in record.body:
        raise KeyError("setting_s")
    seconds = _seconds(record.body, "setting_s")
    return replace(
        knowledge,
        settings={**knowledge.settings, step: seconds},
        setting_records={**knowledge.setting_records, step: record.number},
    )


def _attempted(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    attempt = _event(record)
    before = knowledge.start
    if before is not None and before.status is StartStatus.OBSERVED:
        return knowledge
    doubt = Start(
        StartStatus.IN_DOUBT,
        earliest=attempt.earliest,
        nominal=attempt.earliest + (attempt.latest - attempt.earliest) / 2,
        latest=attempt.latest,
        record=record.number,
    )
    if before is not None and before.status in (StartStatus.STOPPED, StartStatus.REFUTED):
        run_before = replace(knowledge, run_before=None)
        new = replace(_new_run(knowledge, doubt), attempts=(attempt,), attempted_over=before)
        return replace(new, run_before=run_before)
    over = knowledge.attempted_over if knowledge.attempts else before
    if before is not None and before.status is StartStatus.IN_DOUBT:
        doubt = joined(before, doubt)
    attempts = (*knowledge.attempts, attempt)
    return replace(knowledge, start=doubt, attempts=attempts, attempted_over=over)


def joined(one: Start, other: Start) -> Start:
    """Either of two starts, it is not known which; as the second one otherwise."""
    bounds = (one.earliest, one.latest, other.earliest, other.latest)
    known = [each for each in bounds if each is not None]
    return replace(other, earliest=min(known), latest=max(known), sigma_s=None)


def _reading(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    body = record.body
    remaining, elapsed = body.get("remaining_s"), body.get("elapsed_s")
    if (remaining is None) == (elapsed is None):
        raise ValueError("either remaining_s or elapsed_s is expected")
    reading = Reading(
        step=parts_of(record.subject)[2],
        at=_instant(body, "at"),
        remaining_s=None if remaining is None else _seconds(body, "remaining_s"),
        elapsed_s=None if elapsed is None else _seconds(body, "elapsed_s"),
        error_s=_seconds(body, "error_s"),
        at_error_s=_seconds(body, "at_error_s"),
        unit=None if body.get("unit") is None else str(body["unit"]),
        record=record.number,
    )
    if reading.at - reading.at_error_s > record.at + TEXT_ROUNDING_S:
        raise _Contradiction(f"the reading at {body['at']} comes from the future")
    if knowledge.start is not None and knowledge.start.status is StartStatus.REFUTED:
        raise _Contradiction(
            "a running countdown was read although the start was refuted "
            f"(record {knowledge.start.record}); an operator must rule on it"
        )
    return replace(knowledge, readings=(*knowledge.readings, reading))


def _was_seen(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    body, step = record.body, _step_of(record)
    earliest = _instant(body, "earliest") if body.get("earliest") else None
    seen = Seen(_instant(body, "at"), earliest, record.number)
    if earliest is not None and earliest > seen.latest:
        raise ValueError(f"earliest {body['earliest']} lies after {body['at']}")
    if (seen.latest if earliest is None else earliest) > record.at + TEXT_ROUNDING_S:
        raise _Contradiction(f"the sighting at {body['at']} comes from the future")
    known = replace(
        knowledge,
        seen={**knowledge.seen, step: seen},
        not_seen={name: each for name, each in knowledge.not_seen.items() if name != step},
        inert_steps=knowledge.inert_steps - {step},
    )
    start = knowledge.start
    if start is None:
        return known
    if start.status is StartStatus.IN_DOUBT:
        return replace(known, start=replace(start, status=StartStatus.OBSERVED))
    if start.status is StartStatus.REFUTED:
        # What was seen outweighs the refutation: the later steps may be running.
        doubtful = replace(known, start=replace(start, status=StartStatus.IN_DOUBT))
        return _note(
            doubtful,
            record,
            f"contradicts record {start.record}: {step} was seen although the start was refuted; "
            "the sequence is in doubt until an operator rules on it",
        )
    return known


def _was_not_seen(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    body, step = record.body, _step_of(record)
    not_seen = NotSeen(
        start=_instant(body, "from"),
        end=_instant(body, "until"),
        refutes=bool(body.get("refutes", False)),
        why=str(body.get("why", "")),
        record=record.number,
    )
    if step in knowledge.seen:
        seen = knowledge.seen[step]
        raise _Contradiction(
            f"{step} was seen by {to_text(seen.latest)} (record {seen.record}); an operator must "
            "rule on it"
        )
    known = replace(knowledge, not_seen={**knowledge.not_seen, step: not_seen})
    start = knowledge.start
    if not_seen.refutes and start is not None and start.status is StartStatus.IN_DOUBT:
        return _without_start(known, record)
    return known


def _power_loss(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    losses = sorted((*knowledge.power_losses, _event(record)), key=lambda each: each.earliest)
    return replace(knowledge, power_losses=tuple(losses))


def _held(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    step = parts_of(record.subject)[2]
    for hold in knowledge.holds:
        if hold.step == step and hold.resumed is None:
            raise _Contradiction(f"it is already held (record {hold.held.record})")
    return replace(knowledge, holds=(*knowledge.holds, Hold(_event(record), step=step)))


def _resumed(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    resumed = _event(record)
    step = parts_of(record.subject)[2]
    for index, hold in enumerate(knowledge.holds):
        if hold.step == step and hold.resumed is None:
            if resumed.latest < hold.held.earliest:
                raise _Contradiction(
                    f"it was held at {to_text(hold.held.earliest)} at the earliest "
                    f"(record {hold.held.record}), after this"
                )
            holds = list(knowledge.holds)
            holds[index] = replace(hold, resumed=resumed)
            return replace(knowledge, holds=tuple(holds))
    raise _Contradiction("it is not held")


def _command(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    body = record.body
    at = _instant(body, "at")
    earliest, latest = _bounds(body) if body.get("earliest") else (at, at)
    command = Command(
        at=at,
        command=str(body["command"]),
        step=parts_of(record.subject)[2],
        station=str(body.get("station", "")),
        record=record.number,
        earliest=earliest,
        latest=latest,
        heard=Heard(str(body.get("heard", Heard.IN_DOUBT))),
    )
    return replace(knowledge, commands=(*knowledge.commands, command))


def _command_heard(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    number = int(record.body["sent"])
    if number not in {each.record for each in knowledge.commands}:
        raise _Contradiction(f"record {number} is no command that was sent")
    heard = Heard(str(record.body["heard"]))
    commands = tuple(
        replace(each, heard=heard) if each.record == number else each for each in knowledge.commands
    )
    return replace(knowledge, commands=commands)


def _contact_held(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    earliest, latest = _bounds(record.body)
    station = str(record.body.get("station", ""))
    held = HeldContact(earliest, latest, station, record.number)
    return replace(knowledge, contacts_held=(*knowledge.contacts_held, held))


def _ruled(knowledge: SequenceKnowledge, record: Record) -> SequenceKnowledge:
    body = record.body
    step = parts_of(record.subject)[2]
    verdict = str(body["ruling"])
    if verdict not in (RULINGS_ON_SEQUENCE if step is None else RULINGS_ON_STEP):
        raise ValueError(f"there is no ruling {verdict!r}")
    ruling = Ruling(verdict, step, record.author, str(body.get("why", "")), record.number)
    known = replace(knowledge, rulings=(*knowledge.rulings, ruling))
    if verdict == READING_WRONG:
        number = int(body["reading"])
        kept = tuple(each for each in known.readings if each.record != number)
        if len(kept) == len(known.readings):
            raise _Contradiction(f"record {number} is no reading that counts")
        return replace(known, readings=kept)
    if verdict == DID_NOT_ACT and step is not None:
        seen = {name: each for name, each in known.seen.items() if name != step}
        return replace(known, seen=seen, inert_steps=known.inert_steps | {step})
    if verdict == ACTED and step is not None:
        latest = _instant(body, "at") if body.get("at") else record.at
        seen = {**known.seen, step: Seen(latest, None, record.number)}
        return replace(known, seen=seen, inert_steps=known.inert_steps - {step})
    if verdict == NOT_STARTED:
        return replace(_without_start(known, record), seen={}, readings=())
    if body.get("earliest"):
        return _new_run(known, _start_of(record, StartStatus.OBSERVED))
    # Where the records know no bounds of it, those of the configuration hold.
    start = known.start or Start()
    return replace(known, start=replace(start, status=StartStatus.OBSERVED, record=record.number))


def _step_of(record: Record) -> str:
    step = parts_of(record.subject)[2]
    if step is None:
        raise ValueError(f"the subject {record.subject!r} names no step")
    return step


_TEACH: Final[Mapping[str, Callable[[SequenceKnowledge, Record], SequenceKnowledge]]] = {
    kinds.START_PLANNED: _planned,
    kinds.START_OBSERVED: _observed,
    kinds.START_REFUTED: _refuted,
    kinds.SEQUENCE_STOPPED: _stopped,
    kinds.SEQUENCE_HELD: _held,
    kinds.SEQUENCE_RESUMED: _resumed,
    kinds.POWER_LOSS: _power_loss,
    kinds.SETTING_CHOSEN: _setting,
    kinds.START_ATTEMPTED: _attempted,
    kinds.READING: _reading,
    kinds.STEP_SEEN: _was_seen,
    kinds.STEP_NOT_SEEN: _was_not_seen,
    kinds.RULING: _ruled,
    kinds.COMMAND_SENT: _command,
    kinds.COMMAND_HEARD: _command_heard,
    kinds.CONTACT_HELD: _contact_held,
}
CONCERNS_SEQUENCES: Final = frozenset(_TEACH)
