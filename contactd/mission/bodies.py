"""What somebody states about a sequence, checked and put into a record's body.

Each function returns the JSON body for the kind of record that its docstring names. Times are
given as instants (s) and written as RFC 3339 UTC text with microseconds. ``recorded_at`` is the
moment at which the record is made: nothing that was observed may lie after it.

Raises, all of them: :class:`InputError` for what cannot be true or cannot be used.
"""

from __future__ import annotations

import math

from contactd.core.instants import to_text
from contactd.core.sequences.knowledge import (
    READING_WRONG,
    RULINGS_ON_SEQUENCE,
    RULINGS_ON_STEP,
    STARTED,
)
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence, bound_of
from contactd.core.sequences.naming import (
    Statement,
    check_length,
    checked_setting,
    known_step,
    refuse,
)


def start_planned(
    at: float,
    give_or_take_s: float = 0.0,
    *,
    earliest: float | None = None,
    latest: float | None = None,
) -> Statement:
    """Body for START_PLANNED: somebody means to start the sequence at ``at`` ± ``give_or_take_s``.

    With ``earliest`` and ``latest`` the start may come at any time between them, and will then be
    known to ± ``give_or_take_s``.
    """
    return _bounds(at, give_or_take_s, earliest, latest) | {"give_or_take_s": give_or_take_s}


def start_observed(
    at: float,
    give_or_take_s: float = 0.0,
    *,
    recorded_at: float,
    earliest: float | None = None,
    latest: float | None = None,
    sigma_s: float | None = None,
) -> Statement:
    """Body for START_OBSERVED: it started at ``at``, within the bounds.

    Args:
        at: best estimate (instant, s).
        give_or_take_s: bound both ways, where ``earliest`` or ``latest`` does not say otherwise.
        sigma_s: standard deviation, where the error is known to be normal; with no bound given,
            three of them are the bound.
    """
    if sigma_s is not None:
        check_length("sigma", sigma_s)
        give_or_take_s = bound_of(give_or_take_s, sigma_s)
    body = _bounds(at, give_or_take_s, earliest, latest)
    _past("earliest", at - give_or_take_s if earliest is None else earliest, recorded_at)
    return body if sigma_s is None else body | {"sigma_s": sigma_s}


def start_attempted(
    earliest: float, latest: float, *, recorded_at: float, why: str = ""
) -> Statement:
    """Body for START_ATTEMPTED: something may have started it between the two instants."""
    body = _bounds(earliest + (latest - earliest) / 2, 0.0, earliest, latest)
    _past("earliest", earliest, recorded_at)
    return {"earliest": body["earliest"], "latest": body["latest"], "why": why}


def start_refuted(why: str) -> Statement:
    """Body for START_REFUTED: it did not start, and how that is known."""
    if not why.strip():
        refuse(
            "why", "nothing", "how it is known that the sequence did not start",
            "Reason is empty. Enter it.",
        )  # fmt: skip
    return {"why": why}


def stopped(at: float, *, recorded_at: float, why: str = "") -> Statement:
    """Body for SEQUENCE_STOPPED: the stop of the sequence or the step took effect at ``at``."""
    _past("at", at, recorded_at)
    return {"at": _text("at", at), "why": why}


def event(earliest: float, latest: float, *, recorded_at: float, why: str = "") -> Statement:
    """Body for SEQUENCE_HELD, SEQUENCE_RESUMED and POWER_LOSS: it came between the two instants."""
    body = _bounds(earliest + (latest - earliest) / 2, 0.0, earliest, latest)
    _past("earliest", earliest, recorded_at)
    return {"earliest": body["earliest"], "latest": body["latest"], "why": why}


def setting_chosen(sequence: Sequence, step: str, setting_s: float) -> Statement:
    """Body for SETTING_CHOSEN: a step is set to ``setting_s`` seconds."""
    return {"setting_s": checked_setting(sequence, step, setting_s)}


def reading(
    sequence: Sequence,
    step: str | None,
    at: float,
    *,
    recorded_at: float,
    remaining_s: float | None = None,
    elapsed_s: float | None = None,
    error_s: float = 0.0,
    at_error_s: float = 0.0,
    unit: str | None = None,
) -> Statement:
    """Body for READING: a countdown showed so much remaining or elapsed at ``at``.

    Args:
        step: whose countdown; None for the time elapsed since the start.
        remaining_s, elapsed_s: one of the two, in seconds of the onboard clock.
        error_s: bound of the reading's error, both ways: half the last digit at least.
        at_error_s: bound of the error of ``at``, both ways.
        unit: which timer unit, where several drive the step.
    """
    values = {
        key: value
        for key, value in (("remaining_s", remaining_s), ("elapsed_s", elapsed_s))
        if value is not None
    }
    if len(values) != 1:
        found = "both" if values else "neither"
        refuse("remaining", found, "either the remaining or the elapsed time")
    if step is None and elapsed_s is None:
        refuse("step", "none", "the step whose countdown shows the remaining time")
    shown = ((key.removesuffix("_s"), value) for key, value in values.items())
    for name, seconds in (*shown, ("error", error_s), ("at_error", at_error_s)):
        check_length(name, seconds)
    _past("at", at - at_error_s, recorded_at)
    _check_unit(sequence, step, unit)
    body: Statement = {"at": _text("at", at), **values, "error_s": error_s}
    body["at_error_s"] = at_error_s
    return body if unit is None else body | {"unit": unit}


def _check_unit(sequence: Sequence, step: str | None, unit: str | None) -> None:
    units = [each.name for each in sequence.units]
    if unit is not None and unit not in units:
        there = ", ".join(map(repr, units)) or "none: the sequence has one clock"
        refuse("unit", repr(unit), f"a timer unit of the sequence ({there})")
    if step is None:
        return
    driving = known_step(sequence, step).unit_names
    if unit is None and len(driving) > 1:
        refuse(
            "unit", "none", f"which timer unit of the step was read: {', '.join(map(str, driving))}"
        )
    if unit is not None and unit not in driving:
        names = ", ".join(str(each) for each in driving if each) or "none: the sequence's own clock"
        refuse("unit", repr(unit), f"a timer unit that drives {step!r} ({names})")


def step_seen(
    sequence: Sequence,
    step: str,
    at: float,
    *,
    recorded_at: float,
    earliest: float | None = None,
    by: str = "",
) -> Statement:
    """Body for STEP_SEEN: the step's effect was seen at ``at``, so it acted by then.

    ``earliest`` is the last moment at which it had not yet acted, where that is known.
    """
    known_step(sequence, step)
    _past("at", at, recorded_at)
    body: Statement = {"at": _text("at", at), "by": by}
    if earliest is not None:
        if earliest > at:
            refuse("earliest", to_text(earliest), f"a time not after {to_text(at)}")
        body["earliest"] = _text("earliest", earliest)
    return body


def command_sent(
    bounds: tuple[float, float, float],
    command: str,
    heard: str,
    *,
    recorded_at: float,
    station: str = "",
) -> Statement:
    """Body for COMMAND_SENT: ``stop``, ``hold``, ``resume``, ``start``, or free text.

    Args:
        bounds: earliest, most likely and latest moment (instants, s).
        heard: ``yes``, ``no`` or ``in doubt``.
    """
    if not command.strip():
        refuse("command", "nothing", "the command that was sent")
    low, at, high = bounds
    _past("at", low, recorded_at)
    return {
        "at": _text("at", at),
        "earliest": _text("earliest", low),
        "latest": _text("latest", high),
        "command": command,
        "station": station,
        "heard": heard,
    }


def contact_held(earliest: float, latest: float, *, recorded_at: float, station: str) -> Statement:
    """Body for CONTACT_HELD: the station was in contact at a moment between the two instants."""
    body = event(earliest, latest, recorded_at=recorded_at)
    return {"earliest": body["earliest"], "latest": body["latest"], "station": station}


def station_status(status: str, start: float, end: float | None, why: str = "") -> Statement:
    """Body for STATION_STATUS: a station is ``status`` between two instants; None: no known end."""
    body: Statement = {"status": status, "from": _text("from", start), "why": why.strip()}
    if end is None:
        return body
    if end <= start:
        refuse(
            "until", _text("until", end), f"a time after {_text('from', start)}",
            "until is not after from. Give a later time.",
        )  # fmt: skip
    return body | {"until": _text("until", end)}


def reception(station: str, at: float, error_s: float, *, recorded_at: float) -> Statement:
    """Body for AOS_OBSERVED and LOS_OBSERVED: a station's first or last signal of a contact."""
    _past("at", at - error_s, recorded_at)
    return {"station": station, "at": _text("at", at), "error_s": error_s}


def ruling(
    verdict: str,
    why: str,
    *,
    recorded_at: float,
    step: str | None = None,
    earliest: float | None = None,
    latest: float | None = None,
    at: float | None = None,
    reading_record: int | None = None,
    knowledge: SequenceKnowledge | None = None,
    sequence: Sequence | None = None,
) -> Statement:
    """Body for RULING: an operator decides what is the case, and says why.

    Args:
        verdict: ``started``, ``not started`` or ``reading wrong`` for a sequence; ``acted`` or
            ``did not act`` for a step.
        earliest, latest: bounds of the start, for ``started``; needed where none are known.
        at: by when the step had acted, for ``acted``.
        reading_record: number of the record of the reading that is wrong, for ``reading wrong``.
        knowledge: what is known so far, to refuse a start without bounds, or an unknown reading.
        sequence: as configured; its start's bounds hold where none are known.
    """
    allowed = RULINGS_ON_SEQUENCE if step is None else RULINGS_ON_STEP
    if verdict not in allowed:
        refuse("decision", repr(verdict), " or ".join(map(repr, allowed)))
    if not why.strip():
        refuse(
            "why", "nothing", "the reason: it is part of the record", "Reason is empty. Enter it."
        )
    body: Statement = {"ruling": verdict, "why": why}
    if earliest is not None and latest is not None:
        body |= _bounds(earliest + (latest - earliest) / 2, 0.0, earliest, latest)
        _past("earliest", earliest, recorded_at)
    elif (
        verdict == STARTED
        and knowledge is not None
        and (knowledge.start is None or knowledge.start.earliest is None)
        and (sequence is None or sequence.start.earliest is None)
    ):
        refuse("earliest", "nothing", "bounds of the start: none are known so far")
    if at is not None:
        _past("at", at, recorded_at)
        body["at"] = _text("at", at)
    if verdict == READING_WRONG:
        known = [each.record for each in knowledge.readings] if knowledge is not None else None
        if reading_record is None or (known is not None and reading_record not in known):
            there = "" if known is None else f" ({', '.join(map(str, known)) or 'there is none'})"
            found = "nothing" if reading_record is None else str(reading_record)
            refuse("reading", found, f"the number of a reading's record{there}")
        body["reading"] = reading_record
    return body


def _bounds(
    at: float, give_or_take_s: float, earliest: float | None, latest: float | None
) -> Statement:
    check_length("give_or_take", give_or_take_s)
    low = at - give_or_take_s if earliest is None else earliest
    high = at + give_or_take_s if latest is None else latest
    texts = {"earliest": _text("earliest", low), "latest": _text("latest", high)}
    if low > high:
        refuse("latest", texts["latest"], f"a time not before the earliest, {texts['earliest']}")
    if not low <= at <= high:
        refuse("at", _text("at", at), f"a time from {texts['earliest']} to {texts['latest']}")
    return {"earliest": texts["earliest"], "nominal": _text("at", at), "latest": texts["latest"]}


def _past(key: str, at: float, recorded_at: float) -> None:
    if at > recorded_at:
        refuse(key, _text(key, at), f"a time not after now, {to_text(recorded_at)}")


def _text(key: str, at: float) -> str:
    if not math.isfinite(at):
        refuse(key, str(at), "a time")
    return to_text(at, 6)
