"""From a statement to its record, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

from contactd.core.errors import InputError
from contactd.core.instants import FOREVER, from_text
from contactd.core.record import (
    AOS_OBSERVED,
    CONTACT_MISSED,
    LOS_OBSERVED,
    OBSERVATIONS,
    STATION_STATUS,
    Record,
)
from contactd.mission.statements.heard import correction_that_follows
from contactd.mission.statements.kinds import Statement
from contactd.mission.statements.scene import Scene
from contactd.mission.timetext import NEAREST, moment, outer

MARKS = frozenset({"rehearsal"})
"""Keys that a ledger adds to each body by itself."""


def record_of(statement: Statement, scene: Scene) -> Record:
    """The record that a statement becomes. It may predict, which may take seconds.

    Raises:
        InputError: for what cannot be true or cannot be used.
    """
    body = statement.body(scene)
    if statement.note.strip():
        body["note"] = statement.note.strip()
    identity = f"entered:{scene.author}:{scene.key}" if scene.key else ""
    subject = statement.subject(scene)
    return Record(scene.now_s, statement.kind, subject, scene.author, body, identity)


def following(record: Record, scene: Scene) -> list[Record]:
    """Records that follow from one by settings: the correction that an observation makes."""
    if record.kind not in OBSERVATIONS or not scene.adopt_corrections or scene.target is None:
        return []
    seen = (*scene.observations, record)
    return correction_that_follows(scene.target, scene.stations, seen, scene.now_s, record.identity)


def notes_of(statement: Statement, scene: Scene, record: Record) -> list[str]:
    """What whoever states it should know, beside what it changes; sentences."""
    return statement.notes(scene, dict(record.body))


def repeats(statement: Statement, scene: Scene, stored: Record) -> bool:
    """Whether a stored record of the same key is of this very statement."""
    try:
        again = record_of(statement, replace(scene, now_s=stored.at))
    except InputError:
        return False
    if (again.kind, again.subject) != (stored.kind, stored.subject):
        return False
    keys = (set(again.body) | set(stored.body)) - statement.derived - MARKS
    return all(again.body.get(key) == stored.body.get(key) for key in keys)


def confirmation(record: Record, otherwise: str = "Not recorded (dry run)") -> str:
    """A line that says what was recorded, and as which number; and one for what was assumed.

    Args:
        otherwise: what is said of a record that is not stored.
    """
    done = f"Recorded as {record.number}" if record.number else otherwise
    about = f", {record.subject}" if record.subject else ""
    if record.kind in (AOS_OBSERVED, LOS_OBSERVED):
        at = moment(from_text(str(record.body["at"])), NEAREST, 1)
        about += f", with {record.body['station']} at {at}"
    if record.kind == CONTACT_MISSED:
        at = moment(from_text(str(record.body["at"])), NEAREST)
        about += f", contact with {record.body['station']} at {at}"
    if record.kind == STATION_STATUS:
        start, until = from_text(str(record.body["from"])), record.body.get("until")
        end = FOREVER if until is None else from_text(str(until))
        about += f" {record.body['status']} {outer(start, end)}"
    said = f"\n{_sentence(str(record.body['assumed']))}" if record.body.get("assumed") else ""
    return f"{done}: {record.kind}{about}, by {record.author}.{said}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + "."
