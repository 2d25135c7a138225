"""A corrected motion: elements moved along their track by what observations teach.

The offset d(t) = b + r·tau becomes one of the mean anomaly, n·b, and of the mean motion, dn/n = r
in seconds a second. In low orbits that is 5 m off the position of t + d for each second of d.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from contactd.core.errors import InputError
from contactd.core.instants import DAY_S, from_text, to_text
from contactd.core.learning.known import FARTHEST_DAYS, Lesson, apart_s
from contactd.core.learning.several import Learned
from contactd.core.orbit import format_omm, parse_omm
from contactd.core.orbit.elements import ElementSet
from contactd.core.record import Record

WORTH_IT: Final = 0.8
"""A correction whose bound is not so much better than the elements' own is not adopted."""
STRIP_SLACK_S: Final = 1.0
"""So far outside a reception's strip an offset counts as one deviation off."""

Rows = tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class Correction:
    """A correction that somebody adopted.

    Attributes:
        base, elements: the set that was corrected, and the corrected one, of the same epoch.
        at: instant (s) of the last contact that counted.
        bound_s, drift_bound_s_per_day, per_day2_s: of the 95 % bound b + r·t + a·t²/2, in days from
            ``at``, before and after.
        across_km: how far it may be off its track sideways and in height: as before.
        contacts: how many counted.
        measured, heard: what it rests on, against the base: (instant, offset, deviation) and
            (instant, least offset, greatest offset), in s.
        record: number of the record that adopted it.
    """

    base: ElementSet
    elements: ElementSet
    at: float
    bound_s: float
    drift_bound_s_per_day: float
    per_day2_s: float
    across_km: float
    contacts: int
    measured: Rows = ()
    heard: Rows = ()
    record: int = 0

    def outlived_by(self, newer: ElementSet) -> bool:
        """Whether another element set leaves no reason to keep the correction.

        It does where it explains what was observed as well as the correction, or as well as the
        errors of the observations allow; or where these are too old to say anything of it.
        """
        if newer == self.base:
            return False
        if abs(newer.epoch - self.at) > FARTHEST_DAYS * DAY_S:
            return True
        count = len(self.measured) + len(self.heard)
        return self.misfit_of(newer) <= max(self.misfit_of(self.elements), float(count))

    def misfit_of(self, elements: ElementSet) -> float:
        """Sum of squares of what an element set leaves unexplained, in deviations."""
        total = 0.0
        for at, offset_s, sigma_s in self.measured:
            total += ((offset_s - apart_s(self.base, elements, at)) / sigma_s) ** 2
        for at, low, high in self.heard:
            apart = apart_s(self.base, elements, at)
            total += (max(low - apart, apart - high, 0.0) / STRIP_SLACK_S) ** 2
        return total


def corrected_elements(elements: ElementSet, learned: Learned) -> ElementSet:
    """The element set that runs as early as was learned, with the drift that was learned."""
    days = (learned.at - elements.epoch) / DAY_S
    at_epoch_s = learned.offset_s - learned.drift_s_per_day * days
    turned_deg = 360.0 * elements.mean_motion_rev_per_day * at_epoch_s / DAY_S
    return replace(
        elements,
        mean_anomaly_deg=(elements.mean_anomaly_deg + turned_deg) % 360.0,
        mean_motion_rev_per_day=elements.mean_motion_rev_per_day
        * (1.0 + learned.drift_s_per_day / DAY_S),
    )


def correction_body(lesson: Lesson) -> dict[str, Any]:
    """Body of the record that adopts what a lesson teaches.

    Raises:
        ValueError: if there is nothing to adopt: no observation that counts, one that contradicts
            all before it, or a bound that is no better than that of the elements alone.
    """
    learned = lesson.learned
    if learned is None:
        raise ValueError("no observation counts")
    if learned.manoeuvre_suspected:
        raise ValueError("the latest observations contradict all before them")
    alone_s = lesson.growth.at((learned.at - lesson.elements.epoch) / DAY_S)
    if learned.bound_s > WORTH_IT * alone_s:
        raise ValueError(
            f"± {learned.bound_s:.1f} s is no better than ± {alone_s:.1f} s by the elements alone"
        )
    return {
        "adopt": True,
        "base": format_omm([lesson.elements], "json"),
        "omm": format_omm([corrected_elements(lesson.elements, learned)], "json"),
        "at": to_text(learned.at, 3),
        "offset_s": round(learned.offset_s, 4),
        "drift_s_per_day": round(learned.drift_s_per_day, 4),
        "bound_s": round(learned.bound_s, 4),
        "drift_bound_s_per_day": round(learned.drift_bound_s_per_day, 4),
        "per_day2_s": learned.per_day2_s,
        "across_km": lesson.displacement_km,
        "contacts": learned.contacts,
        "measured": [[to_text(at, 3), *rest] for at, *rest in lesson.offsets],
        "heard": [[to_text(at, 3), *rest] for at, *rest in lesson.strips],
    }


def correction_of(record: Record) -> Correction | None:
    """The correction that a record adopts; None where it drops one, or cannot be read."""
    body: Mapping[str, Any] = record.body
    if not body.get("adopt"):
        return None
    try:
        return Correction(
            base=parse_omm(str(body["base"]))[0],
            elements=parse_omm(str(body["omm"]))[0],
            at=from_text(str(body["at"])),
            bound_s=float(body["bound_s"]),
            drift_bound_s_per_day=float(body["drift_bound_s_per_day"]),
            per_day2_s=float(body["per_day2_s"]),
            across_km=float(body["across_km"]),
            contacts=int(body["contacts"]),
            measured=_rows(body["measured"]),
            heard=_rows(body["heard"]),
            record=record.number,
        )
    except (KeyError, TypeError, ValueError, IndexError, InputError):
        return None


def _rows(listed: Any) -> Rows:
    found = [(from_text(str(at)), float(one), float(other)) for at, one, other in listed]
    assert np.isfinite(np.array(found)).all()
    return tuple(found)
