"""Until when a step can be stopped, and that it cannot, in words. Instants are in seconds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from contactd.mission.texts.text import Actor, Stop, Text, bounds, joined, since, step_of, until

CONTROLLER, CREW_LEAD = Actor.CONTROLLER, Actor.CREW_LEAD
MOST_CHANCES_SAID = 2


@dataclass(frozen=True, slots=True)
class Chance:
    """A window in which a stop still catches a part of the possible expiries.

    Attributes:
        start_s, by_s: first and last instant (s) at which the stop can be sent.
        share: part of the possible expiries that a stop at its start catches, from 0 to 1.
    """

    station: str
    start_s: float
    by_s: float
    share: float

    def said(self, now_s: float) -> str:
        """``A stop through Mesa Roja, 12:40:10Z, still catches 60 %.``: never more than it does."""
        when = since(self.start_s, now_s)
        if self.start_s <= now_s:
            when = f"now to {until(self.by_s, now_s)}"
        percent = max(int(self.share * 100), 1) if self.share > 0 else 0
        return f"A stop through {self.station}, {when}, still catches {percent} %."


def stop_by(target: str, step: str, stop: Stop, now_s: float, notice: str = "") -> Text:
    """The last moment at which a step can still be stopped; the command may name another step."""
    command = f"\"stop '{stop.stops}'\""
    return Text(
        f"{step_of(target, step)}: stop by {until(stop.by_s)}{stop.through}.",
        f"{CONTROLLER}: decide now; to stop, send {command}{stop.through} "
        f"by {until(stop.by_s, now_s)}.",
        notice,
    )


def stop_by_passed(
    target: str,
    step: str,
    passed_s: float,
    clear_s: tuple[float, float],
    chances: Sequence[Chance],
    now_s: float,
    notice: str = "",
) -> Text:
    """No stop is certain any more; ``chances`` still catch a part of the possible expiries.

    Args:
        passed_s: the last moment of a certain stop (instant, s).
        clear_s: keep-clear of a hazardous step, else its expiry: from, to (instants, s).
    """
    left = [each for each in chances if each.by_s > now_s][:MOST_CHANCES_SAID]
    return Text(
        f"{step_of(target, step)}: no certain stop since {until(passed_s)}.",
        joined(_beware(clear_s, now_s, bool(notice)), *(each.said(now_s) for each in left)),
        notice,
    )


def no_stop(
    target: str,
    step: str,
    earliest_s: float,
    clear_s: tuple[float, float],
    now_s: float,
    notice: str = "",
) -> Text:
    """Nothing can stop a step before it may expire; arguments as :func:`stop_by_passed`."""
    return Text(
        f"{step_of(target, step)}: no stop possible before {until(earliest_s)}.",
        joined(
            _beware(clear_s, now_s, bool(notice)),
            "Another commanding station could change this.",
        ),
        notice,
    )


def _beware(clear_s: tuple[float, float], now_s: float, hazardous: bool) -> str:
    if hazardous:
        return f"{CREW_LEAD}: keep everyone away, {bounds(*clear_s, now_s)}."
    return f"{CONTROLLER}: treat it as certain to expire, {bounds(*clear_s, now_s)}."
