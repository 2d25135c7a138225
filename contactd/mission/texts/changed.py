"""What changed about an alert, and why; and how an alert ended, in words.

Instants are in seconds; ``now_s`` is the moment at which the text is told.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from contactd.core import alert as kinds
from contactd.mission.texts.text import Text, bounds, quoted, since, until
from contactd.mission.timetext import NEAREST, length

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Standing:
    """What people act on.

    Attributes:
        decide_by_s: the last moment of a decision, or None.
        span_s: an expiry or a keep-clear, or None.
        severity: the word for it.
        parts: the steps of a chain.
    """

    decide_by_s: float | None = None
    span_s: Span | None = None
    severity: str = ""
    parts: Collection[str] = ()


def changed(was: Standing, now_is: Standing, cause: str, now_s: float) -> str:
    """``Deadline moved from 04:10:36Z to 03:29:08Z, 41 min 28 s earlier: record 14.``; or ""."""
    said = []
    ahead = was.decide_by_s is not None and was.decide_by_s > now_s
    if was.decide_by_s is not None and ahead and _apart(was.decide_by_s, now_is.decide_by_s):
        said.append(_deadline(was.decide_by_s, now_is.decide_by_s, now_s))
    if was.span_s and now_is.span_s and bounds(*was.span_s) != bounds(*now_is.span_s):
        said.append(f"was {bounds(*was.span_s, now_s)}")
    more = [each for each in now_is.parts if each not in was.parts]
    if more and was.parts:
        said.append(f"now also {', '.join(map(quoted, more))}")
    fewer = [each for each in was.parts if each not in now_is.parts]
    if fewer and now_is.parts:
        said.append(f"no longer {', '.join(map(quoted, fewer))}")
    if not said and was.severity != now_is.severity:
        said.append(f"was {was.severity}")
    if not said:
        return ""
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]}{': ' if cause else ''}{cause}."


def _apart(was_s: float, now_is_s: float | None) -> bool:
    """Whether two deadlines differ in what is shown of them."""
    if now_is_s is None or math.isinf(was_s) or math.isinf(now_is_s):
        return was_s != now_is_s
    return until(was_s) != until(now_is_s)


def _deadline(was_s: float, now_is_s: float | None, now_s: float) -> str:
    if math.isinf(was_s) or (now_is_s is not None and math.isinf(now_is_s)):
        return "the deadline changed"
    was = until(was_s, now_s)
    if now_is_s is None:
        return f"the deadline {was} is gone"
    apart = length(abs(now_is_s - was_s), NEAREST)
    way = "later" if now_is_s > was_s else "earlier"
    return f"deadline moved from {was} to {until(now_is_s, now_s)}, {apart} {way}"


def out_of_service(station: str, end_s: float, now_s: float) -> str:
    """``Quarry Hill is out until 05:00:00Z``."""
    return f"{station} is out until {since(end_s, now_s)}"


_ENDED = {
    kinds.CONFIGURATION_REFUSED: "configuration valid.",
    kinds.CLOCK_NOT_TRUSTED: "clock trusted.",
    kinds.PLANNING_OVERDUE: "predictions updated.",
    kinds.STATION_TIME_TROUBLE: "station time reallocated.",
    kinds.CHANNEL_FAILING: "channel delivering.",
    kinds.UNDELIVERED: "no message undelivered.",
    kinds.LEDGER_TROUBLE: "records on disk.",
    kinds.ELEMENTS_STALE: "newer elements.",
    kinds.NO_PREDICTION: "prediction complete.",
    kinds.PREDICTION_GAP: "predicted.",
    kinds.SPAN_ENDS: "prediction extended.",
}


def resolved(kind: str, target: str, what: str, now_is: str) -> Text:
    """An alert whose cause is gone: what is the case now, else what was."""
    if kind in _ENDED:
        return Text(
            f"Resolved: {target}: {_ENDED[kind]}" if target else f"Resolved: {_ENDED[kind]}"
        )
    return Text(f"Resolved: {now_is}" if now_is else f"No longer so: {what}")


def over(what: str) -> Text:
    """An alert whose time has passed."""
    return Text(f"Over: {what}")


def retired(what: str) -> Text:
    """An alert about something of which somebody said that it is there no longer."""
    return Text(f"Retired, not watched any more: {what}")


def superseded(number: int, what: str) -> Text:
    """An alert in whose place another one stands; ``number`` is that of its record, or 0."""
    by = f"alert {number}" if number else "another alert"
    act = f"act on alert {number} now." if number else "act on the newer alert now."
    return Text(f"Superseded by {by}: {what}", f"Controller: {act}")
