"""How far AOS and LOS may be off (95 %), and how likely it is that a contact happens at all.

The orbit's error is taken as normal, its bounds as 95 % bounds: sigma = bound/1.96. With g the
gradient of the clearance above the horizon by (offset along track, radial, cross-track),

    sigma of an edge = sqrt(gT P g)/|rate of the clearance|.

Where the highest clearance is less than eight of its own sigmas that is not straight any more: then
1,024 fixed quasi-random motions are asked, and what is told are the quantiles of 2.5 and 97.5 % of
those that have the contact, and the share of those that have it.

Sources: JCGM 100:2008, 5.1.2 (combined standard uncertainty); JCGM 101:2008, 7.7 (coverage interval
by sampling); J. H. Halton, *On the efficiency of certain quasi-random sequences of points*, 1960
(bases 2, 3 and 5, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from statistics import NormalDist
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.contacts.horizon import Horizon, horizon_of
from contactd.core.contacts.motion import EARTH_RATE_RAD_S, Motion
from contactd.core.contacts.motion_set import MotionSet
from contactd.core.contacts.prediction import motions
from contactd.core.contacts.table import ContactTable
from contactd.core.ground.station import Station
from contactd.core.orbit.orbit_error import SIGMAS_OF_95_PERCENT, OrbitError
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]

STRAIGHT_ABOVE_SIGMAS: Final = 8.0
MOTIONS: Final = 1_024
_LOOKS: Final = 81
_TOPS: Final = 17
_STEP_S: Final = 0.05
_STEP_KM: Final = 0.05


@dataclass(frozen=True, slots=True)
class ContactSpread:
    """How far one contact may be off.

    Attributes:
        aos, los: (earliest, latest) instants (s), 95 %.
        certain: (from, until) instants (s) within which every motion has it; None if none is.
        existence_probability: that the contact happens at all.
    """

    aos: tuple[float, float]
    los: tuple[float, float]
    certain: tuple[float, float] | None
    existence_probability: float

    def off_s(self, contact: Contact) -> float:
        """The larger of how far AOS and LOS may be off (s), either way; 95 %."""
        return max(
            contact.aos - self.aos[0], self.aos[1] - contact.aos,
            contact.los - self.los[0], self.los[1] - contact.los,
        )  # fmt: skip


@dataclass(frozen=True, eq=False)
class ContactSpreads:
    """The spreads of a table's contacts, as columns ``[n]`` beside it.

    Those that are not straight (``low``) are sampled when somebody asks for them.
    """

    contacts: ContactTable
    track: Track
    stations: Mapping[str, Station]
    error: OrbitError
    epoch: float
    aos_early: FloatArray
    aos_late: FloatArray
    los_early: FloatArray
    los_late: FloatArray
    existence: FloatArray
    low: NDArray[np.bool_]

    def of(self, contact: Contact, in_view: Coverage) -> ContactSpread | None:
        """The spread of one of the contacts; None for one that is not among them."""
        row = self._row(contact)
        if row is None:
            return None
        if self.low[row]:
            _by_sampling(self, row, in_view)
            self.low[row] = False
        certain = in_view.certain.clip(contact.aos, contact.los)
        return ContactSpread(
            (float(self.aos_early[row]), float(self.aos_late[row])),
            (float(self.los_early[row]), float(self.los_late[row])),
            (float(certain.starts[0]), float(certain.ends[-1])) if certain else None,
            float(self.existence[row]),
        )

    def _row(self, contact: Contact) -> int | None:
        table = self.contacts
        row = int(table.aos.searchsorted(contact.aos))
        while row < len(table) and table.aos[row] == contact.aos:
            if table.stations[table.station[row]] == contact.station:
                return row
            row += 1
        return None


def contact_spreads(
    track: Track,
    stations: Sequence[Station],
    contacts: ContactTable,
    error: OrbitError,
    epoch: float,
) -> ContactSpreads:
    """The spreads of one target's contacts.

    Args:
        contacts: of the track alone, with all of the stations.
        error: of the orbit.
        epoch: instant (s) that its age counts from.
    """
    found = ContactSpreads(
        contacts,
        track,
        {station.name: station for station in stations},
        error,
        epoch,
        contacts.aos.copy(),
        contacts.aos.copy(),
        contacts.los.copy(),
        contacts.los.copy(),
        np.ones(len(contacts)),
        np.zeros(len(contacts), dtype=np.bool_),
    )
    if error.is_exact or not len(contacts):
        return found
    names = {name: number for number, name in enumerate(contacts.stations)}
    for station in stations:
        rows = np.flatnonzero(contacts.station == names[station.name])
        if len(rows):
            _of_station(horizon_of(station), found, rows)
    return found


def _of_station(horizon: Horizon, found: ContactSpreads, rows: NDArray[np.intp]) -> None:
    table, track, error, epoch = found.contacts, found.track, found.error, found.epoch
    aos, los = table.aos[rows], table.los[rows]
    edges = np.concatenate([aos, los])
    off_s = SIGMAS_OF_95_PERCENT * _edge_sigmas(track, horizon, edges, error, epoch)
    cut = np.concatenate([table.cut_at_start[rows], table.cut_at_end[rows]])
    off_s[cut] = 0.0
    count = len(rows)
    found.aos_early[rows], found.aos_late[rows] = aos - off_s[:count], aos + off_s[:count]
    found.los_early[rows], found.los_late[rows] = los - off_s[count:], los + off_s[count:]
    whole = ~(table.cut_at_start[rows] | table.cut_at_end[rows])
    found.low[rows] = whole & _is_low(track, horizon, aos, los, error, epoch)


def _gradient(
    track: Track, horizon: Horizon, at: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Clearance, its rate (1/s), and its gradient by offset (1/s), radius and cross-track (1/km).

    Shapes ``[n]``, ``[n]``, ``[3, n]``.
    """
    motion = _Exact(track)
    here, moving = motion.fixed(at, np.zeros(len(at)))
    value, rate = horizon.clearance(here, moving)
    ahead = horizon.clearance(*motion.fixed(at, np.full(len(at), _STEP_S)))[0]
    behind = horizon.clearance(*motion.fixed(at, np.full(len(at), -_STEP_S)))[0]
    radial = here / np.linalg.norm(here, axis=1, keepdims=True)
    normal = np.cross(here, motion.inertial(here, moving))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    slopes = [(ahead - behind) / (2.0 * _STEP_S)]
    for way in (radial, normal):
        more = horizon.clearance(here + _STEP_KM * way, moving)[0]
        less = horizon.clearance(here - _STEP_KM * way, moving)[0]
        slopes.append((more - less) / (2.0 * _STEP_KM))
    return value, rate, np.stack(slopes)


class _Exact:
    """States of a track at offsets, in the frame of the Earth as it is turned at the instants."""

    def __init__(self, track: Track) -> None:
        self._track = track

    def fixed(self, at: FloatArray, offsets_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        from contactd.core.orbit.frames import teme_to_fixed

        return teme_to_fixed(at, *self._track.states(at + offsets_s))

    @staticmethod
    def inertial(position: FloatArray, velocity: FloatArray) -> FloatArray:
        """The inertial velocity along the axes of the Earth-fixed frame."""
        found = velocity.copy()
        found[:, 0] -= EARTH_RATE_RAD_S * position[:, 1]
        found[:, 1] += EARTH_RATE_RAD_S * position[:, 0]
        return found


def _sigmas(error: OrbitError, ages_s: FloatArray) -> FloatArray:
    """Standard deviations along the track (s), radial and cross-track (km), ``[3, n]``."""
    bounds = np.stack(
        [
            error.bounds_s(ages_s),
            np.full(len(ages_s), error.radial_km),
            np.full(len(ages_s), error.cross_track_km),
        ]
    )
    return np.asarray(bounds / SIGMAS_OF_95_PERCENT, dtype=np.float64)


def _edge_sigmas(
    track: Track, horizon: Horizon, at: FloatArray, error: OrbitError, epoch: float
) -> FloatArray:
    _, rate, slopes = _gradient(track, horizon, at)
    spread = np.sqrt(((slopes * _sigmas(error, at - epoch)) ** 2).sum(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        found = spread / np.abs(rate)
    return np.where(np.isfinite(found), found, 0.0)


def _is_low(
    track: Track,
    horizon: Horizon,
    aos: FloatArray,
    los: FloatArray,
    error: OrbitError,
    epoch: float,
) -> NDArray[np.bool_]:
    """Whether a contact's highest clearance is no more than eight of its sigmas, ``[n]``."""
    share = np.linspace(0.0, 1.0, _TOPS)[1:-1]
    at = (aos[:, None] + (los - aos)[:, None] * share).ravel()
    value, _, slopes = _gradient(track, horizon, at)
    spread = np.sqrt(((slopes * _sigmas(error, at - epoch)) ** 2).sum(axis=0))
    shape = (len(aos), len(share))
    top = value.reshape(shape).argmax(axis=1)
    rows = np.arange(len(aos))
    return np.asarray(
        value.reshape(shape)[rows, top] <= STRAIGHT_ABOVE_SIGMAS * spread.reshape(shape)[rows, top],
        dtype=np.bool_,
    )


@cache
def standard_motions() -> FloatArray:
    """1,024 fixed triples of standard normal numbers, quasi-random, ``[1024, 3]``."""
    inverse = NormalDist().inv_cdf
    return np.array(
        [
            [inverse(_radical_inverse(number, base)) for base in (2, 3, 5)]
            for number in range(1, MOTIONS + 1)
        ]
    )


def _radical_inverse(number: int, base: int) -> float:
    """The digits of a number mirrored at the point: 6 = 110 in base 2 gives 0.011."""
    value, place = 0.0, 1.0 / base
    while number:
        number, digit = divmod(number, base)
        value += digit * place
        place /= base
    return value


def _by_sampling(found: ContactSpreads, row: int, in_view: Coverage) -> None:
    """Asks 1,024 motions for one contact, and writes down what they have."""
    table, track, error, epoch = found.contacts, found.track, found.error, found.epoch
    horizon = horizon_of(found.stations[table.stations[table.station[row]]])
    around = in_view.possible.interval_at(float(table.tca[row]))
    start, end = around or (float(table.aos[row]), float(table.los[row]))
    # One motion in twenty lies outside the bounds.
    beyond_s = float(error.bounds_s(np.array([start, end]) - epoch).max())
    at = np.linspace(start - beyond_s, end + beyond_s, _LOOKS)
    start, end = at[0], at[-1]
    reach_s = 4.0 * float(error.bounds_s(at - epoch).max()) + 1.0
    followed = motions(track, start - reach_s, end + reach_s)
    if len(followed) != 1:
        return
    clear = _clearances(followed[0], horizon, at, error, epoch)
    above = clear > 0.0
    has = above.any(axis=1)
    found.existence[row] = has.mean()
    if not has.any():
        return
    first, last = above[has].argmax(axis=1), above.shape[1] - 1 - above[has][:, ::-1].argmax(axis=1)
    rises = _crossing(at, clear[has], first - 1, first)
    sets = _crossing(at, clear[has], last, last + 1)
    found.aos_early[row], found.aos_late[row] = np.quantile(rises, [0.025, 0.975])
    found.los_early[row], found.los_late[row] = np.quantile(sets, [0.025, 0.975])


def _clearances(
    motion: Motion, horizon: Horizon, at: FloatArray, error: OrbitError, epoch: float
) -> FloatArray:
    """Clearance above the horizon of each motion at each instant, ``[1024, n]``."""
    moving = MotionSet(motion, [horizon], error, epoch)
    sigma = _sigmas(error, at - epoch)
    draws = standard_motions()
    offsets = error.centres_s(at - epoch) + draws[:, :1] * sigma[0]
    position, velocity = moving.states(np.tile(at, len(draws)), offsets.ravel())
    radial = position / np.linalg.norm(position, axis=1, keepdims=True)
    normal = np.cross(position, velocity)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    aside = np.repeat(draws[:, 1], len(at)) * error.radial_km / SIGMAS_OF_95_PERCENT
    across = np.repeat(draws[:, 2], len(at)) * error.cross_track_km / SIGMAS_OF_95_PERCENT
    place = position + aside[:, None] * radial + across[:, None] * normal
    return horizon.clearance(place, velocity)[0].reshape(len(draws), len(at))


def _crossing(
    at: FloatArray, clear: FloatArray, before: NDArray[np.intp], after: NDArray[np.intp]
) -> FloatArray:
    """Where each row crosses zero between two columns; the ends of the columns where none is."""
    low, high = np.maximum(before, 0), np.minimum(after, clear.shape[1] - 1)
    rows = np.arange(len(clear))
    one, other = clear[rows, low], clear[rows, high]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(one != other, one / (one - other), 0.0)
    return np.asarray(at[low] + np.clip(share, 0.0, 1.0) * (at[high] - at[low]), dtype=np.float64)
