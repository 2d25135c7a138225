"""What is stated of a station, in words."""

from __future__ import annotations

from contactd.core.ground.station import StationStatus
from contactd.core.ground.status import reason
from contactd.mission.timetext import outer

SAID = {"out": "out of service", "degraded": "degraded: do not count on it"}


def status_text(
    stated: StationStatus, now_s: float | None = None, *, day_of_year: bool = False
) -> str:
    """``out of service 08:20:00Z until further notice: wind (recorded by Ada)``."""
    span = outer(stated.start, stated.end, now_s=now_s, day_of_year=day_of_year)
    word, _, advice = SAID[stated.status].partition(": ")
    text = f"{word} {span}: {reason(stated)}"
    return f"{text}. {advice.capitalize()}" if advice else text
