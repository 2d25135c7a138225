"""What people do about alerts: acknowledge, silence, lift a silence, retry; as records.

Each has an identity, so that doing the same twice writes one record.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from contactd.core.alert import Alert
from contactd.core.errors import InputError
from contactd.core.record import (
    ALERT_ACKNOWLEDGED,
    ALERT_RETRIED,
    SILENCE_LIFTED,
    SILENCE_SET,
    Record,
)
from contactd.mission.timetext import NEAREST, NO_LATER, length, moment, recorded

__all__ = [
    "Acknowledge",
    "Done",
    "Letter",
    "Lift",
    "Raised",
    "Retry",
    "Silence",
    "Standing",
    "Window",
    "record_of",
]

LONGEST_SILENCE_S = 30 * 86_400.0


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """Somebody has an alert in hand; ``alert`` is its identity, or its record's number."""

    alert: str | int
    note: str = ""


@dataclass(frozen=True, slots=True)
class Silence:
    """Alerts are raised and kept, but not sent, from ``from_s`` to ``to_s`` (instants, s).

    Attributes:
        targets, kinds: only these; None for all.
        warnings: whether warnings are held back too.
    """

    from_s: float
    to_s: float
    why: str
    targets: tuple[str, ...] | None = None
    kinds: tuple[str, ...] | None = None
    warnings: bool = False


@dataclass(frozen=True, slots=True)
class Lift:
    """A silence ends early; ``silence`` is the number of the record that set it."""

    silence: int


@dataclass(frozen=True, slots=True)
class Retry:
    """An undelivered message is tried again; ``message`` is the number of its last record."""

    message: int


Action = Acknowledge | Silence | Lift | Retry


@dataclass(frozen=True, slots=True)
class Raised:
    """An alert as it stands: its record's number, whether it is over, and who has it in hand.

    Attributes:
        again: so many times it has come to wait again.
        superseded_by: number of the record of the alert in its place, or 0.
    """

    number: int
    alert: Alert
    over: bool
    in_hand_s: float | None = None
    in_hand_of: str = ""
    again: int = 0
    superseded_by: int = 0


@dataclass(frozen=True, slots=True)
class Window:
    """A silence: the number of the record that set it, and when it ends (instant, s)."""

    number: int
    identity: str
    until_s: float


@dataclass(frozen=True, slots=True)
class Letter:
    """An undelivered message, and when it was given up (instant, s)."""

    number: int
    message: str
    channel: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Standing:
    """What actions are checked against."""

    alerts: tuple[Raised, ...] = ()
    silences: tuple[Window, ...] = ()
    undelivered: tuple[Letter, ...] = ()

    def alert(self, given: str | int) -> Raised | None:
        """The alert of an identity or a number."""
        wanted = str(given).strip()
        for each in self.alerts:
            if wanted in (each.alert.identity, str(each.number)):
                return each
        return None


class Done(InputError):
    """It was done before; the sentence says by whom and when."""

    code = "done"


def record_of(action: Action, standing: Standing, author: str, now_s: float) -> Record:
    """The record that an action becomes.

    Raises:
        Done: where somebody has it in hand already.
        InputError: for what cannot be meant.
    """
    if not author.strip():
        raise InputError("your name", "nothing", "by", says="No name. Add --by NAME.")
    match action:
        case Acknowledge():
            return _acknowledgement(action, standing, author, now_s)
        case Silence():
            return _silence(action, author, now_s)
        case Lift():
            return _lifting(action, standing, author, now_s)
        case Retry():
            return _retry(action, standing, author, now_s)


def _acknowledgement(action: Acknowledge, standing: Standing, author: str, now_s: float) -> Record:
    raised = standing.alert(action.alert)
    if raised is None:
        says = f"Alert {action.alert} is not waiting. Run contactd acknowledge to list."
        raise InputError("an alert that waits", str(action.alert), "alert", says=says)
    if raised.in_hand_s is not None:
        when = moment(raised.in_hand_s, NEAREST, now_s=now_s)
        says = f"Alert {raised.number}: acknowledged by {raised.in_hand_of} at {when}."
        raise Done("an alert that waits", str(action.alert), "alert", says=says)
    if raised.over:
        says = f"Alert {raised.number} is over. Run contactd acknowledge to list."
        if raised.superseded_by:
            says = f"Alert {raised.number} is superseded. Acknowledge {raised.superseded_by}."
        raise InputError("an alert that waits", str(action.alert), "alert", says=says)
    identity = raised.alert.identity
    body = {"identity": identity}
    if action.note.strip():
        body["remark"] = action.note.strip()
    key = f"acknowledged:{identity}" + (f":{raised.again}" if raised.again else "")
    return Record(now_s, ALERT_ACKNOWLEDGED, raised.alert.subject, author, body, key)


def _silence(action: Silence, author: str, now_s: float) -> Record:
    if not action.why.strip():
        raise InputError("the reason", "nothing", "why", says="Reason is empty. Enter it.")
    for key, instant in (("from", action.from_s), ("to", action.to_s)):
        if not math.isfinite(instant):
            raise InputError("a time: every silence has an end", str(instant), key)
    if action.to_s <= now_s:
        says = "--to is past. Give a later time."
        raise InputError("a time after now", moment(action.to_s, NEAREST), "to", says=says)
    if action.to_s <= action.from_s:
        says = "--from is after --to. Swap them."
        raise InputError("a time after from", moment(action.to_s, NEAREST), "to", says=says)
    lasts_s = action.to_s - action.from_s
    if lasts_s > LONGEST_SILENCE_S:
        most = length(LONGEST_SILENCE_S, NO_LATER)
        raise InputError(f"a silence of at most {most}", length(lasts_s, NEAREST), "to")
    targets = _sorted(action.targets)
    if targets == []:
        raise InputError("at least one target, or none given for all", "an empty list", "targets")
    identity = f"silence-{recorded(now_s)}-{author}"
    body = {
        "silence": identity,
        "from": recorded(action.from_s),
        "until": recorded(action.to_s),
        "why": action.why.strip(),
        "targets": targets,
        "kinds": _sorted(action.kinds),
        "warnings": action.warnings,
    }
    subject = targets[0] if targets and len(targets) == 1 else ""
    return Record(now_s, SILENCE_SET, subject, author, body, identity)


def _sorted(names: Iterable[str] | None) -> list[str] | None:
    return None if names is None else sorted(set(names))


def _lifting(action: Lift, standing: Standing, author: str, now_s: float) -> Record:
    window = next((each for each in standing.silences if each.number == action.silence), None)
    if window is None:
        says = f"No silence {action.silence}. Run contactd silence list."
        raise InputError("a silence that stands", str(action.silence), "silence", says=says)
    if now_s >= window.until_s:
        says = f"Silence {action.silence} ended {moment(window.until_s, NEAREST, now_s=now_s)}."
        raise Done("a silence that has not ended", str(action.silence), "silence", says=says)
    body = {"silence": window.identity}
    return Record(now_s, SILENCE_LIFTED, "", author, body, f"lifted:{window.identity}")


def _retry(action: Retry, standing: Standing, author: str, now_s: float) -> Record:
    letter = next((each for each in standing.undelivered if each.number == action.message), None)
    if letter is None:
        says = f"No undelivered message {action.message}. Run contactd undelivered to list."
        raise InputError("an undelivered message", str(action.message), "message", says=says)
    body = {"message": letter.message, "channel": letter.channel}
    identity = f"retried:{letter.channel}:{letter.message}:{recorded(letter.at_s)}"
    return Record(now_s, ALERT_RETRIED, "", author, body, identity)
