"""From configuration and knowledge to an outlook: one pure function per target."""

from __future__ import annotations

from dataclasses import dataclass

from contactd.core.orbit.elements import ElementSet, TimingError
from contactd.core.sequences.model import Sequence


@dataclass(frozen=True, slots=True)
class Target:
    """A satellite that is watched.

    Attributes:
        elements: the sets known of it; the one nearest in epoch is used.
        elements_source: where they came from, for people.
        stale_after_s: age at which elements count as stale.
    """

    name: str
    elements: tuple[ElementSet, ...] = ()
    elements_source: str = ""
    timing_error: TimingError = TimingError()
    stale_after_s: float = 7 * 86_400.0
    sequences: tuple[Sequence, ...] = ()
