"""How far a track's states reach: the part of a span that can be predicted, and the gaps in it.

Element sets reach everywhere until they decay; ephemerides begin, end and may have gaps; a state
that is propagated ends where errors grow worthless or the satellite comes down.
"""

from __future__ import annotations

from dataclasses import dataclass

from contactd.core.instants import to_text
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.track import Track


@dataclass(frozen=True, slots=True)
class Reach:
    """What of a span can be predicted.

    Attributes:
        span: (start, end) instants (s) that the prediction can cover.
        gaps: the times within it in which nothing is known of the motion.
        problem: why less can be predicted than should be, in words, or None.
    """

    span: tuple[float, float]
    gaps: IntervalSet = EMPTY
    problem: str | None = None


def reach_of(track: Track, span: tuple[float, float], now: float) -> Reach:
    """How much of a span (instants, s) a track covers.

    What is missing of the past only shortens the span; what is missing until a track begins is a
    gap; where it ends, the span ends. A track that ended before now is a problem for a span that
    reaches beyond now.

    Args:
        now: instant (s).
    """
    if isinstance(track, Sgp4Track):
        # What becomes of elements that decay is told by the contacts' own problems.
        return Reach(span)
    valid = track.validity.clip(*span)
    if not valid:
        return Reach(span, IntervalSet([span[0]], [span[1]]), _nothing(track, span))
    first, last = float(valid.starts[0]), float(valid.ends[-1])
    begins = span[0] if first > now else first
    problem = None
    comes_down_at = _comes_down_at(track)
    if comes_down_at is not None and comes_down_at < span[1]:
        problem = f"it comes down at {to_text(comes_down_at, 0)}"
    elif last <= now < span[1]:
        problem = f"nothing is known of its motion after {to_text(last, 0)}"
    return Reach((begins, last), valid.gaps(begins, last), problem)


def _nothing(track: Track, span: tuple[float, float]) -> str:
    comes_down_at = _comes_down_at(track)
    if comes_down_at is not None and comes_down_at < span[1]:
        return f"it comes down at {to_text(comes_down_at, 0)}"
    text = f"nothing is known of its motion from {to_text(span[0], 0)} to {to_text(span[1], 0)}"
    known = track.validity
    if not known:
        state = getattr(track, "state", None)
        return (
            text if state is None else f"{text}: its state of {to_text(state.epoch, 0)} is too old"
        )
    first, last = float(known.starts[0]), float(known.ends[-1])
    return f"{text}, only from {to_text(first, 0)} to {to_text(last, 0)}"


def _comes_down_at(track: Track) -> float | None:
    """When a propagated track is lost to the air, or None."""
    pieces = getattr(track, "pieces", None)
    if pieces:
        return _comes_down_at(pieces[-1][2])
    found: float | None = getattr(track, "comes_down_at", None)
    return found
