"""Planned manoeuvres: the track before and after, and the fan of what may come of them.

A manoeuvre is taken as an impulse. Its time, its magnitude and whether it happens at all are known
within bounds only; each corner of the bounds is propagated, and so is the middle. Contacts that
all corners agree upon are certain; what lies between the corners' contacts is possible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.contact import Coverage
from contactd.core.intervals import EMPTY, IntervalSet, intersection, union
from contactd.core.orbit.forces import Forces
from contactd.core.orbit.inertial import to_teme
from contactd.core.orbit.numerical import propagated
from contactd.core.orbit.states import Spacecraft, StateVector, Vector, orbital_axes
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

MAX_MANOEUVRES: Final = 6
"""Most manoeuvres of one track: its fan has up to five members for each, multiplied."""
MAX_MEMBERS: Final = 64


@dataclass(frozen=True, slots=True)
class Manoeuvre:
    """One impulse.

    Attributes:
        at: instant (s).
        delta_v_m_s: change of velocity in ``frame``.
        frame: ``RTN`` or ``TNW`` (local orbital frames at that moment), or an inertial one.
        give_or_take_s: bound of the time's error, both ways.
        magnitude_error: bound of the relative error of the magnitude, both ways (0.05 is 5 %).
        may_not_happen: the satellite may stay on its old path.
    """

    at: float
    delta_v_m_s: Vector
    frame: str = "RTN"
    give_or_take_s: float = 0.0
    magnitude_error: float = 0.0
    may_not_happen: bool = False

    def changed(self, position_km: FloatArray, velocity_km_s: FloatArray) -> FloatArray:
        """Velocity (km/s, TEME) after the impulse at a state.

        Raises:
            ValueError: for an unknown frame.
        """
        change = np.array(self.delta_v_m_s) / 1000.0
        if self.frame in ("RTN", "RSW", "TNW"):
            axes = orbital_axes(position_km, velocity_km_s, self.frame)
            return np.asarray(velocity_km_s + change @ axes, dtype=np.float64)
        at = np.array([self.at])
        fixed = to_teme(self.frame, at, np.zeros((1, 3)), change[None, :])[1][0]
        return np.asarray(velocity_km_s + fixed, dtype=np.float64)

    def versions(self) -> list[tuple[str, Manoeuvre | None]]:
        """The corners of its bounds with names, the middle first; None is no manoeuvre."""
        found: list[tuple[str, Manoeuvre | None]] = [("as planned", self)]
        times = [("early", -self.give_or_take_s), ("late", self.give_or_take_s)]
        sizes = [("weak", 1 - self.magnitude_error), ("strong", 1 + self.magnitude_error)]
        if not self.give_or_take_s:
            times = [("", 0.0)]
        if not self.magnitude_error:
            sizes = [("", 1.0)]
        for (when, shift), (how, factor) in product(times, sizes):
            if when or how:
                x, y, z = (part * factor for part in self.delta_v_m_s)
                name = " and ".join(word for word in (when, how) if word)
                found.append((name, Manoeuvre(self.at + shift, (x, y, z), self.frame)))
        if self.may_not_happen:
            found.append(("not happening", None))
        return found


@dataclass(frozen=True)
class PiecewiseTrack:
    """Tracks one after another.

    Attributes:
        name: the target's name.
        pieces: (from, until, track) in order, instants (s); each is used in ``[from, until)``.
    """

    name: str
    pieces: tuple[tuple[float, float, Track], ...]

    @cached_property
    def validity(self) -> IntervalSet:
        """Instants (s) at which states can be had."""
        return union(track.validity.clip(low, high) for low, high, track in self.pieces)

    @cached_property
    def fastest_rate_rad_s(self) -> float:
        """Upper bound of the angular rate about the Earth's centre, in rad/s."""
        return max(track.fastest_rate_rad_s for _, _, track in self.pieces)

    def states(self, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (km) and velocities (km/s), each ``[n, 3]``, in TEME of date; NaN outside."""
        at = np.asarray(instants, dtype=np.float64)
        position, velocity = np.full((len(at), 3), np.nan), np.full((len(at), 3), np.nan)
        for low, high, track in self.pieces:
            inside = (at >= low) & (at < high)
            if inside.any():
                position[inside], velocity[inside] = track.states(at[inside])
        return position, velocity


@dataclass(frozen=True, slots=True)
class Fan:
    """What may come of planned manoeuvres.

    Attributes:
        nominal: all as planned.
        members: (name, track) of each corner of the bounds, the nominal one first.
        opens: instant (s) from which the members differ.
    """

    nominal: Track
    members: tuple[tuple[str, Track], ...]
    opens: float = field(default=float("inf"))


def manoeuvred(
    base: Track,
    manoeuvres: Sequence[Manoeuvre],
    until: float,
    spacecraft: Spacecraft | None = None,
    forces: Forces | None = None,
) -> Track:
    """The track that follows ``base`` and then, after each manoeuvre, the numerical propagation.

    Args:
        base: such as from elements; used up to the first manoeuvre.
        manoeuvres: in any order.
        until: instant (s) to which the track is wanted; it may go on a little beyond.

    Raises:
        ValueError: if the base has no state at a manoeuvre, or there are too many of them.
    """
    if len(manoeuvres) > MAX_MANOEUVRES:
        raise ValueError(f"{len(manoeuvres)} manoeuvres; at most {MAX_MANOEUVRES} are expected")
    pieces: list[tuple[float, float, Track]] = []
    track, since = base, -np.inf
    for each in sorted(manoeuvres, key=lambda manoeuvre: manoeuvre.at):
        position, velocity = track.states(np.array([each.at]))
        if np.isnan(position).any():
            raise ValueError("a manoeuvre is planned when the track has no state")
        after = each.changed(position[0], velocity[0])
        pieces.append((since, each.at, track))
        state = StateVector(each.at, _vector(position[0]), _vector(after))
        track = propagated(
            base.name,
            state,
            (each.at, max(until, each.at)),
            spacecraft or Spacecraft(),
            forces or Forces(),
        )
        since = each.at
    if not pieces:
        return base
    return PiecewiseTrack(base.name, (*pieces, (since, np.inf, track)))


def fan(
    base: Track,
    manoeuvres: Sequence[Manoeuvre],
    until: float,
    spacecraft: Spacecraft | None = None,
    forces: Forces | None = None,
) -> Fan:
    """The tracks at the corners of the manoeuvres' bounds.

    Raises:
        ValueError: as :func:`manoeuvred`; also if the corners of all manoeuvres together are more
            than ``MAX_MEMBERS``.
    """
    ordered = sorted(manoeuvres, key=lambda manoeuvre: manoeuvre.at)
    versions = [each.versions() for each in ordered]
    count = int(np.prod([len(each) for each in versions])) if versions else 1
    if count > MAX_MEMBERS:
        raise ValueError(f"{count} combinations of bounds; at most {MAX_MEMBERS} are expected")
    members: list[tuple[str, Track]] = []
    for choice in product(*versions):
        done = [manoeuvre for _, manoeuvre in choice if manoeuvre is not None]
        name = ", then ".join(word for word, _ in choice)
        members.append((name, manoeuvred(base, done, until, spacecraft, forces)))
    opens = min(
        (each.at - each.give_or_take_s for each in ordered if len(each.versions()) > 1),
        default=float("inf"),
    )
    return Fan(members[0][1], tuple(members), opens)


def fan_coverage(members: Sequence[IntervalSet], half_period_s: float) -> Coverage:
    """Certain and possible coverage from the contacts of each member of a fan.

    A contact of the nominal member (the first) is paired with the nearest one of every other; what
    lies between the earliest AOS and the latest LOS of such a family is possible, what all of them
    share is certain. A contact that pairs with none is possible by itself.

    Args:
        members: the contacts of each member of the fan with one station, the nominal first.
        half_period_s: half of the orbit's period: contacts further apart are different ones.
    """
    if not members:
        return Coverage()
    nominal = members[0]
    certain = intersection(members) if len(members) > 1 else nominal
    spans: list[tuple[float, float]] = []
    for start, end in nominal:
        middle = 0.5 * (start + end)
        family = [(start, end)]
        for member in members[1:]:
            middles = 0.5 * (member.starts + member.ends)
            if len(middles):
                nearest = int(np.argmin(np.abs(middles - middle)))
                if abs(middles[nearest] - middle) <= half_period_s:
                    family.append((float(member.starts[nearest]), float(member.ends[nearest])))
        spans.append((min(low for low, _ in family), max(high for _, high in family)))
    hulls = IntervalSet.of(spans) if spans else EMPTY
    return Coverage(nominal, certain, union([hulls, *members]))


def _vector(values: FloatArray) -> Vector:
    return float(values[0]), float(values[1]), float(values[2])
