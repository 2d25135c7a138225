"""The target: a satellite that is watched, and all that configuration says of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from contactd.core.instants import DAY_S
from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.track import Track
from contactd.core.sequences.model import Sequence as TimedSequence

if TYPE_CHECKING:
    from contactd.core.ground.links import Link
    from contactd.core.orbit.ephemeris import EphemerisTrack
    from contactd.core.orbit.manoeuvres import Fan, Manoeuvre
    from contactd.core.orbit.source import OrbitSource
    from contactd.core.orbit.states import Spacecraft, StateVector

DEFAULT_STALE_AFTER_S = 7 * DAY_S


@dataclass(frozen=True, slots=True)
class Target:
    """A satellite that is watched.

    Attributes:
        elements: the sets known of it; the one nearest in epoch is used.
        elements_source: where they, or what stands in their place, came from, for people.
        stated_error: how far its motion may be off, as somebody states it; what stands in the
            element sets' or the ephemeris' own covariance, was learned, or is assumed for the class
            of its orbit, if None.
        learned_error: what earlier element sets teach of it, if there are enough.
        stale_after_s: age at which elements count as stale.
        ephemeris: states in a table, in place of elements.
        state: one state, propagated numerically, in place of elements.
        spacecraft: for numerical propagation; the usual one if None.
        manoeuvres: planned ones; an ephemeris has them already.
        links: its radio links, with distinct names.
        configured: the target as its elements say, where an adopted correction moves it; else None.
    """

    name: str
    elements: tuple[ElementSet, ...] = ()
    elements_source: str = ""
    stated_error: OrbitError | None = None
    learned_error: OrbitError | None = None
    stale_after_s: float = DEFAULT_STALE_AFTER_S
    sequences: tuple[TimedSequence, ...] = ()
    ephemeris: EphemerisTrack | None = None
    state: StateVector | None = None
    spacecraft: Spacecraft | None = None
    manoeuvres: tuple[Manoeuvre, ...] = ()
    links: tuple[Link, ...] = ()
    configured: Target | None = None

    def elements_for(self, instant: float) -> ElementSet | None:
        """The set whose epoch is nearest to an instant (s); None if there is none."""
        return min(self.elements, key=lambda each: abs(each.age_s(instant)), default=None)

    def sequence(self, name: str) -> TimedSequence:
        """The sequence of that name.

        Raises:
            KeyError: if there is none.
        """
        for each in self.sequences:
            if each.name == name:
                return each
        raise KeyError(name)

    @property
    def is_plain(self) -> bool:
        """Whether element sets alone say how it moves: then SGP4 is all that is needed."""
        return self.ephemeris is None and self.state is None and not self.manoeuvres

    @property
    def orbit(self) -> OrbitSource:
        """All that is known of its motion."""
        from contactd.core.orbit.source import OrbitSource
        from contactd.core.orbit.states import Spacecraft

        return OrbitSource(
            elements=self.elements,
            ephemeris=self.ephemeris,
            state=self.state,
            spacecraft=self.spacecraft or Spacecraft(),
            manoeuvres=self.manoeuvres,
        )

    @property
    def links_by_name(self) -> Mapping[str, Link]:
        """Its radio links by name."""
        return {link.name: link for link in self.links}

    def epoch(self, now: float) -> float | None:
        """Instant (s) that what is known of its motion is of; None if nothing is known.

        Args:
            now: instant (s) that chooses among element sets.
        """
        if self.is_plain:
            elements = self.elements_for(now)
            return None if elements is None else elements.epoch
        return self.orbit.epoch(now)

    def track(self, now: float, span: tuple[float, float]) -> Track | None:
        """How it moves over a span (instants, s), manoeuvres as planned; None without data.

        Args:
            now: instant (s) that chooses among element sets.

        Raises:
            PropagationError: if an element set cannot be used at all.
            ValueError: if a manoeuvre is planned where there is no state.
        """
        if self.is_plain:
            elements = self.elements_for(now)
            return None if elements is None else Sgp4Track(elements, self.name)
        return self.orbit.track(self.name, now, span)

    def fan(self, now: float, span: tuple[float, float]) -> Fan | None:
        """What may come of its manoeuvres within their bounds; None if nothing is uncertain.

        Raises:
            PropagationError, ValueError: as :meth:`track`.
        """
        return None if self.is_plain else self.orbit.fan(self.name, now, span)

    def error_at(self, now: float) -> OrbitError:
        """How far its motion may be from what its predictions rest on.

        What is stated counts first, then covariance, then what was learned, then what is assumed
        for the class of its orbit. It is never zero, unless somebody calls it exact.

        Args:
            now: instant (s) that chooses among element sets.
        """
        from contactd.core.orbit.known_error import known_error

        motion = self.ephemeris or self.state or self.elements_for(now)
        assert motion is not None
        lit = self.spacecraft is not None and self.spacecraft.radiation_area_m2 > 0.0
        return known_error(
            motion, len(self.elements), self.stated_error, self.learned_error, lit=lit
        )

    def uncertain_from(self, now: float, span: tuple[float, float]) -> float | None:
        """From when on (instant, s) within a span it is open how a planned manoeuvre goes, or None.

        Args:
            now: instant (s) that chooses among element sets.
        """
        epoch = self.epoch(now)
        if epoch is None or self.ephemeris is not None:
            return None
        opens = [
            each.at - each.give_or_take_s
            for each in self.manoeuvres
            if each.at > epoch and len(each.versions()) > 1
        ]
        first = min(opens, default=None)
        return first if first is not None and first < span[1] else None

    def motion_at(self, now: float) -> Target:
        """The target with nothing but what its predictions rest on at an instant (s)."""
        elements = self.elements_for(now)
        kept = () if elements is None else (elements,)
        stated = None if self.epoch(now) is None else self.error_at(now)
        return replace(self, elements=kept, sequences=(), stated_error=stated, configured=None)

    @property
    def forces_in_words(self) -> str | None:
        """Which forces its state is propagated under, for people; None where it is not."""
        if self.state is None or self.ephemeris is not None:
            return None
        from contactd.core.orbit.forces import in_words

        return in_words(self.orbit.forces, self.orbit.spacecraft)

    def moves_as(self, other: Target) -> bool:
        """Whether the same is known of the motion of both."""
        if self.is_plain and other.is_plain:
            return self.elements == other.elements
        return self.orbit == other.orbit
