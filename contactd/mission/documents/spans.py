"""Spans of time in documents, widened or narrowed to the safe side."""

from __future__ import annotations

import math
from typing import Any

from contactd.core.intervals import IntervalSet
from contactd.mission.timetext import NO_EARLIER, NO_LATER, machine

Form = dict[str, Any]

SHOWN_WITHIN_S = 5e-4
"""Times of records are shown to the nearest millisecond. Who asks for what came since a time that
was read off a record wants that record too."""


def outer_form(span: tuple[float, float]) -> Form:
    """``{"from": …, "to": …}``, never narrower than it is: an expiry, a keep-clear, an outage."""
    return {"from": machine(span[0], NO_LATER), "to": machine(span[1], NO_EARLIER)}


def inner_form(span: tuple[float, float]) -> Form:
    """``{"from": …, "to": …}``, never wider than it is: a window, a span that is predicted."""
    return {"from": machine(span[0], NO_EARLIER), "to": machine(span[1], NO_LATER)}


def outer_forms(spans: IntervalSet) -> list[Form]:
    """Each interval of a set by :func:`outer_form`."""
    return [outer_form(each) for each in spans]


def inner_forms(spans: IntervalSet) -> list[Form]:
    """Each interval of a set by :func:`inner_form`."""
    return [inner_form(each) for each in spans]


def figure(value: float | None, digits: int) -> float | None:
    """A figure, rounded; one that is not finite has no JSON form and is None."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def lower(value: float | None, digits: int = 3) -> float | None:
    """A margin (s), never more than it is; None as in :func:`figure`."""
    if value is None or not math.isfinite(value):
        return None
    scale = 10.0**digits
    return round(math.floor(value * scale + 1e-6) / scale, digits)
