"""Whether a step's needs are met wherever its expiry may fall, by what margin, and how likely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.coverage import View
from contactd.core.sequences.distribution import Distribution
from contactd.core.sequences.model import Covered

MOMENT_S = 1e-3
"""An expiry that is known exactly is looked at as a millisecond."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a view means for an expiry.

    Attributes:
        margin_s: as in ``StepForecast``; None where no contact is long enough, or it is unknown.
        known: whether the prediction reaches far enough to tell.
    """

    coverage: Covered
    probability: float | None
    stations: tuple[str, ...]
    margin_s: float | None
    known: bool


def judge(view: View, earliest: float, latest: float, spread: Distribution) -> Verdict:
    """The verdict on an expiry somewhere from ``earliest`` to ``latest`` (instants, s)."""
    predicted = view.known.covers(earliest, latest)
    if view.certain.covers(earliest, latest) and predicted:
        covered = Covered.COVERED
    elif predicted and not _meets(view.possible, earliest, latest):
        covered = Covered.UNCOVERED
    else:
        covered = Covered.AT_RISK
    probability = spread.widened(timing_error_s(view, earliest, latest)).within(view.nominal)
    return Verdict(
        covered,
        probability if predicted else None,
        _stations(view, earliest, latest),
        margin_s(view.certain, earliest, latest) if predicted else None,
        predicted,
    )


def margin_s(certain: IntervalSet, earliest: float, latest: float) -> float | None:
    """How far the whole interval may move either way and still be covered.

    Negative: minus how far it must move to be covered; None where no interval is long enough.
    """
    starts, ends = certain.starts, certain.ends
    long_enough = ends - starts >= latest - earliest
    if not long_enough.any():
        return None
    starts, ends = starts[long_enough], ends[long_enough]
    room = np.minimum(earliest - starts, ends - latest)
    return float(room.max())


def timing_error_s(view: View, earliest: float, latest: float) -> float:
    """Bound of the elements' timing error near an expiry, from how the coverage is known."""
    near = [(start, end) for start, end in view.possible if start <= latest and end >= earliest]
    found = 0.0
    for start, end in near:
        inside = view.nominal.clip(start, end)
        if inside:
            ends = float(inside.starts[0]) - start, end - float(inside.ends[-1])
            found = max(found, min(max(ends), (end - start) / 2))
    return found


def _meets(instants: IntervalSet, earliest: float, latest: float) -> bool:
    return instants.meets(earliest, latest) or latest in instants


def _stations(view: View, earliest: float, latest: float) -> tuple[str, ...]:
    """Stations that cover a part of what is needed, somewhere in the interval."""
    met = view.possible.clip(earliest, latest + MOMENT_S)
    around = met.grow(view.before_s, view.after_s)
    return tuple(name for name, coverage in view.stations.items() if coverage & around)


def duration_text(seconds: float, parts: int = 2) -> str:
    """A duration for people: ``2 d 4 h``, ``3 h 12 min``, ``4 min 10 s``, ``12.5 s``.

    ``parts`` is how many units are given at the most; 4 for an exact number of seconds.
    """
    left = abs(seconds)
    if left < 60:
        return f"{left:.1f} s" if left % 1 and left < 59.95 else f"{left:.0f} s"
    whole = round(left)
    counts: list[tuple[int, str]] = []
    for unit, size in (("d", 86_400), ("h", 3_600), ("min", 60), ("s", 1)):
        count, whole = divmod(whole, size)
        if count or counts:
            counts.append((count, unit))
    return " ".join(f"{count} {unit}" for count, unit in counts[:parts] if count)
