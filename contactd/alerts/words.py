"""How times and durations are put into words for a tired reader."""

from __future__ import annotations

import math

from contactd.core.instants import to_text


def moment(instant: float) -> str:
    """``2026-12-03 08:00:00Z (337)``: UTC to the second, rounded down, with the day of year."""
    whole = math.floor(instant)
    day_of_year = to_text(whole, 0, day_of_year=True)[5:8]
    return f"{to_text(whole, 0).replace('T', ' ')} ({day_of_year})"


def clock(instant: float) -> str:
    """``08:00:00Z``: UTC time of day, rounded down to the second."""
    return to_text(math.floor(instant), 0)[11:]


def exact(instant: float) -> str:
    """RFC 3339 UTC text with milliseconds, for machines."""
    return to_text(instant, 3)


def as_text(instant: float) -> str | None:
    """RFC 3339 UTC text with microseconds, as it stands in records; None for no finite instant."""
    return to_text(instant, 6) if math.isfinite(instant) else None


def span(start: float, end: float) -> str:
    """``2026-12-03 08:00:00Z to 08:02:10Z (337)``, widened to whole seconds."""
    first, last = moment(start), moment(math.ceil(end))
    if first[:10] == last[:10]:
        return f"{first[:20]} to {last[11:20]} {first[21:]}"
    return f"{first} to {last}"


def duration(seconds: float) -> str:
    """``2 d 3 h``, ``1 h 20 min``, ``8 min 12 s``, ``45 s``: two units, rounded down."""
    whole = int(abs(seconds))
    units = (("d", 86_400), ("h", 3600), ("min", 60), ("s", 1))
    for index, (name, size) in enumerate(units):
        if whole >= size:
            count, rest = divmod(whole, size)
            text = f"{count} {name}"
            if index + 1 < len(units):
                smaller, smaller_size = units[index + 1]
                if rest // smaller_size:
                    text += f" {rest // smaller_size} {smaller}"
            return text
    return "0 s"


def from_now(instant: float, now: float) -> str:
    """``in 8 min 12 s``, ``now``, ``8 min 12 s ago``."""
    if abs(instant - now) < 1.0:
        return "now"
    if instant > now:
        return f"in {duration(instant - now)}"
    return f"{duration(now - instant)} ago"


def give_or_take(seconds: float) -> str:
    """`` ± 12 s``, or nothing below half a second."""
    if seconds < 0.5:
        return ""
    return f" ± {duration(math.ceil(seconds))}"
