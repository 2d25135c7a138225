"""Where a target's motion comes from: element sets, an ephemeris, or one state, and manoeuvres.

A plain value that configuration builds; tracks are made of it for the span that is wanted, since a
numerically propagated one costs seconds a week.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np

from contactd.core.orbit.elements import ElementSet
from contactd.core.orbit.ephemeris import EphemerisTrack
from contactd.core.orbit.forces import Forces
from contactd.core.orbit.manoeuvres import Fan, Manoeuvre, fan, manoeuvred
from contactd.core.orbit.numerical import propagated
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import Spacecraft, StateVector
from contactd.core.orbit.track import Track


@dataclass(frozen=True, slots=True)
class OrbitSource:
    """What is known of a target's motion. Of several kinds the ephemeris counts, then the state.

    Attributes:
        elements: sets, of which the one nearest in epoch to the wanted moment is used.
        ephemeris: from an OEM.
        state: from an OPM, or plain Cartesian or Keplerian numbers; propagated numerically.
        spacecraft, forces: for numerical propagation.
        manoeuvres: planned ones; those before the state's or element set's epoch are in it already
            and passed over, and an ephemeris has them all.
    """

    elements: tuple[ElementSet, ...] = ()
    ephemeris: EphemerisTrack | None = None
    state: StateVector | None = None
    spacecraft: Spacecraft = field(default_factory=Spacecraft)
    forces: Forces = field(default_factory=Forces)
    manoeuvres: tuple[Manoeuvre, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.elements) or self.ephemeris is not None or self.state is not None

    def digest(self) -> str:
        """Hexadecimal SHA-256 of the content: the same for the same motion, wherever it stood."""
        integrated = self.state is not None or bool(self.manoeuvres)
        plain = {
            "elements": [asdict(each) for each in self.elements],
            "state": _plain(self.state) if self.state is not None else None,
            "manoeuvres": [asdict(each) for each in self.manoeuvres],
            # Only numerical propagation asks for these.
            "spacecraft": asdict(self.spacecraft) if integrated else None,
            "forces": asdict(self.forces) if integrated else None,
        }
        known = hashlib.sha256(json.dumps(plain, sort_keys=True).encode())
        for segment in self.ephemeris.segments if self.ephemeris is not None else ():
            how = [*map(float, segment.usable), segment.method, segment.degree]
            known.update(json.dumps(how).encode())
            for table in segment.tables:
                known.update(np.ascontiguousarray(table, dtype="<f8").tobytes())
        return known.hexdigest()

    def epoch(self, now: float) -> float | None:
        """Instant (s) that the data are of: they grow stale from it. None if there are none."""
        if self.ephemeris is not None:
            return float(self.ephemeris.segments[0].instants[0])
        if self.state is not None:
            return self.state.epoch
        nearest = self._nearest(now)
        return nearest.epoch if nearest else None

    def track(self, name: str, now: float, span: tuple[float, float]) -> Track | None:
        """The track over a span (instants, s), with all manoeuvres as planned; None without data.

        Args:
            name: the target's.
            now: instant (s) that chooses among element sets.

        Raises:
            PropagationError: if an element set cannot be used at all.
            ValueError: if a manoeuvre is planned where there is no state.
        """
        base = self._base(name, now, span)
        planned = self._planned(now, span)
        if base is None or not planned:
            return base
        return manoeuvred(base, planned, span[1], self.spacecraft, self.forces)

    def fan(self, name: str, now: float, span: tuple[float, float]) -> Fan | None:
        """What may come of the manoeuvres within their bounds; None if nothing is uncertain.

        Raises:
            PropagationError, ValueError: as :meth:`track`.
        """
        base = self._base(name, now, span)
        planned = self._planned(now, span)
        if base is None or all(len(each.versions()) == 1 for each in planned):
            return None
        return fan(base, planned, span[1], self.spacecraft, self.forces)

    def _nearest(self, now: float) -> ElementSet | None:
        return min(self.elements, key=lambda each: abs(each.age_s(now)), default=None)

    def _base(self, name: str, now: float, span: tuple[float, float]) -> Track | None:
        if self.ephemeris is not None:
            return replace(self.ephemeris, name=name)
        if self.state is not None:
            # Each version of a manoeuvre needs a state to start from.
            planned = self._planned(now, span)
            first = min((m.at - m.give_or_take_s for m in planned), default=span[0])
            last = max((m.at + m.give_or_take_s for m in planned), default=span[1])
            whole = (min(span[0], first), max(span[1], last))
            return propagated(name, self.state, whole, self.spacecraft, self.forces)
        nearest = self._nearest(now)
        return Sgp4Track(nearest, name) if nearest else None

    def _planned(self, now: float, span: tuple[float, float]) -> list[Manoeuvre]:
        epoch = self.epoch(now)
        if epoch is None or self.ephemeris is not None:
            return []
        return [
            each
            for each in self.manoeuvres
            if epoch < each.at and each.at - each.give_or_take_s < span[1]
        ]


def _plain(state: StateVector) -> dict[str, Any]:
    """A state as ledgers know it: what is not stated is left out."""
    return {name: value for name, value in asdict(state).items() if value is not None}
