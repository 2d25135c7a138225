"""What can still be stopped, by when, and by which command, in words."""

from __future__ import annotations

import math

from contactd.core.sequences.model import StepForecast, StopChance
from contactd.mission.texts.commands import next_command_text
from contactd.mission.timetext import NO_LATER, inner, moment

NO_STOP = "no stop possible"
NOT_CERTAIN = "no certain stop"


def command_text(stops: str | None, station: str | None) -> str:
    """``"stop antenna release" through Mesa Roja``: whose command, and who sends it."""
    through = f" through {station}" if station else ""
    return f'"stop {stops}"{through}'


def chance_text(chance: StopChance) -> str:
    """What one remaining window catches, never more than it does; without its time."""
    share = math.floor(100 * chance.share + 1e-9)
    catches = f"catches at least {share} %" if share else "may still catch it"
    return f"{command_text(chance.stops, chance.station)} {catches}"


def stop_text(step: StepForecast, now_s: float | None = None) -> str:
    """By when a step can be stopped, or by which chances; of a countdown that a command begins
    anew, by when the next one is needed. "" without a rule or an expiry.

    Args:
        now_s: the present instant (s), to leave out dates within twelve hours; None for the date
            in any case.
    """
    told = (_stop_text(step, now_s), next_command_text(step, now_s))
    return "; ".join(each for each in told if each)


def _stop_text(step: StepForecast, now_s: float | None) -> str:
    if step.stop_certain and step.stop_by is not None:
        by = moment(step.stop_by, NO_LATER, now_s=now_s)
        return f"stop by {by}: send {command_text(step.stops, step.stop_station)}"
    if step.stop_possible is False:
        return NO_STOP
    if not step.stop_possible:
        return ""
    chances = step.stop_chances
    if not chances:
        return NOT_CERTAIN
    best = max(chances, key=lambda each: each.share)
    told = [
        f"{chance_text(each)}, {chance_when(each.opens, each.closes, now_s)}"
        for each in dict.fromkeys((chances[0], best))
    ]
    if len(chances) > len(told):
        told.append(f"{len(chances) - len(told)} more")
    return f"{NOT_CERTAIN}: {'; '.join(told)}"


def chance_when(opens_s: float, closes_s: float, now_s: float | None = None) -> str:
    """When to send it: ``10:10:01Z to 10:15:00Z``, or a last moment where they are one."""
    if closes_s - opens_s < 1.0:
        return moment(closes_s, NO_LATER, now_s=now_s)
    return inner(opens_s, closes_s, now_s=now_s)
