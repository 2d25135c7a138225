"""What can still be stopped, by when, and by which command, in words."""

from __future__ import annotations

import math

from contactd.core.sequences.model import StepForecast, StopChance
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
    catches = f"{share} %" if share else "less than 1 %"
    return f"{command_text(chance.stops, chance.station)} catches {catches}"


def stop_text(step: StepForecast, now_s: float | None = None) -> str:
    """All that can be said of stopping a step; "" where it has no stop rule or no expiry.

    Args:
        now_s: the present instant (s), to leave out dates within twelve hours; None for the date
            in any case.
    """
    if step.stop_certain and step.stop_by is not None:
        by = moment(step.stop_by, NO_LATER, now_s=now_s)
        return f"stop by {by}: send {command_text(step.stops, step.stop_station)}"
    if step.stop_possible is False:
        return NO_STOP
    if not step.stop_possible:
        return ""
    chances = [
        f"{chance_text(each)}, {inner(each.opens, each.closes, now_s=now_s)}"
        for each in step.stop_chances
    ]
    return f"{NOT_CERTAIN}: {'; '.join(chances)}" if chances else NOT_CERTAIN
