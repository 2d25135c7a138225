"""What a record says, in one line: a statement in the words of its form, the rest in plain ones."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from contactd.core import record as kinds
from contactd.core.instants import FOREVER, from_text
from contactd.core.record import Record
from contactd.mission.statements import STATEMENTS
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, length, moment, outer

Body = Mapping[str, Any]

TITLES: Final = {each.kind: each.title for each in STATEMENTS}
"""What a statement of a kind is called where it is entered."""

PLAIN: Final = {
    kinds.CONFIGURATION_ADOPTED: "configuration adopted",
    kinds.CONFIGURATION_REFUSED: "configuration refused, the one before stays in force",
    kinds.DEFINITION_ADOPTED: "definition in the file adopted",
    kinds.ELEMENTS_ADOPTED: "new elements",
    kinds.ELEMENTS_CHANGED: "predictions rest on other elements",
    kinds.OFFSET_MEASURED: "a contact's tracking data were used",
    kinds.ALERT_RAISED: "alert raised",
    kinds.ALERT_CHANGED: "alert shows new facts",
    kinds.ALERT_SENT: "alert sent",
    kinds.ALERT_DELIVERED: "alert delivered",
    kinds.ALERT_FAILED: "alert not delivered",
    kinds.ALERT_ACKNOWLEDGED: "alert acknowledged",
    kinds.ALERT_RETRIED: "alert to be sent again",
    kinds.ALERT_ESCALATED: "alert escalated",
    kinds.ALERT_SILENCED: "alert held back by a silence",
    kinds.ALERT_EXPIRED: "alert over, nobody had acknowledged it",
    kinds.ALERT_RESOLVED: "alert resolved",
    kinds.ALERT_MISSED: "alert not raised in time",
    kinds.SILENCE_SET: "silence set",
    kinds.SILENCE_LIFTED: "silence lifted",
    kinds.STATION_TIME_ALLOCATED: "station time allocated",
    kinds.STATION_TIME_CONFIRMED: "a station's schedule came back",
    kinds.SERVICE_STARTED: "contactd started",
    kinds.SERVICE_CAUGHT_UP: "contactd has caught up",
    kinds.SERVICE_STOPPED: "contactd stopped",
}
"""What is recorded by the service, or by a command that is no statement."""


def record_words(record: Record) -> str:
    """``a countdown was read: 29 min remaining ± 30 s``: what a record says, without its subject.

    What cannot be read of a body is left out.
    """
    title = TITLES.get(record.kind)
    if title is None:
        said = PLAIN.get(record.kind, record.kind.replace("-", " "))
        parts = [said, *_reasons(record.body)]
        return ": ".join(parts[:3])
    try:
        details = _DETAILS.get(record.kind, _nothing)(record.body)
    except (AttributeError, KeyError, TypeError, ValueError):
        details = ""
    said = f"{title[:1].lower()}{title[1:]}"
    return ": ".join(filter(None, [f"{said}{details}", *_reasons(record.body)]))


def _reasons(body: Body) -> list[str]:
    said = [str(body[key]) for key in ("why", "text", "what", "reason", "note") if body.get(key)]
    problems = body.get("problems")
    return [*said, *([str(problems[0])] if isinstance(problems, list) and problems else [])]


def _nothing(_: Body) -> str:
    return ""


def _bounds(body: Body) -> str:
    return f", {outer(from_text(body['earliest']), from_text(body['latest']))}"


def _by(body: Body) -> str:
    return f" by {moment(from_text(body['at']), NO_EARLIER)}"


def _setting(body: Body) -> str:
    return f" to {length(float(body['setting_s']), NEAREST)}"


def _reading(body: Body) -> str:
    word = "remaining" if "remaining_s" in body else "elapsed"
    error_s = float(body.get("error_s", 0.0))
    read = length(float(body[f"{word}_s"]), NEAREST)
    return f" {moment(from_text(body['at']), NEAREST)}: {read} {word} ± {error_s:g} s"


def _watched(body: Body) -> str:
    span = outer(from_text(body["from"]), from_text(body["until"]))
    return f", watched {span}{', so it did not start' if body.get('refutes') else ''}"


def _sent(body: Body) -> str:
    through = f" through {body['station']}" if body.get("station") else ""
    return f": {body['command']}{through}, {moment(from_text(body['at']), NEAREST)}"


def _heard(body: Body) -> str:
    return f", record {body['sent']}: {body['heard']}"


def _held(body: Body) -> str:
    return f": {body['station']}{_bounds(body)}"


def _decided(body: Body) -> str:
    return f": {body['ruling']}"


def _missed(body: Body) -> str:
    return f": {body['station']}, {moment(from_text(body['at']), NO_LATER)}"


def _station(body: Body) -> str:
    until = body.get("until")
    end = FOREVER if until is None else from_text(str(until))
    return f": {body['status']} {outer(from_text(str(body['from'])), end)}"


_DETAILS: Final[Mapping[str, Callable[[Body], str]]] = {
    kinds.START_PLANNED: _bounds,
    kinds.START_OBSERVED: _bounds,
    kinds.START_ATTEMPTED: _bounds,
    kinds.SEQUENCE_STOPPED: _by,
    kinds.SEQUENCE_HELD: _bounds,
    kinds.SEQUENCE_RESUMED: _bounds,
    kinds.POWER_LOSS: _bounds,
    kinds.SETTING_CHOSEN: _setting,
    kinds.READING: _reading,
    kinds.STEP_SEEN: _by,
    kinds.STEP_NOT_SEEN: _watched,
    kinds.COMMAND_SENT: _sent,
    kinds.COMMAND_HEARD: _heard,
    kinds.CONTACT_HELD: _held,
    kinds.RULING: _decided,
    kinds.CONTACT_MISSED: _missed,
    kinds.AOS_OBSERVED: _missed,
    kinds.LOS_OBSERVED: _missed,
    kinds.STATION_STATUS: _station,
}
