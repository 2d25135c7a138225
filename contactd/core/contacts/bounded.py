"""When a target is in view for every motion within its orbit's error, and when for any of them.

Both are proved for all offsets and all instants, not sampled (:mod:`motion_set`). Boxes of instants
and offsets are decided as wholly above the horizon or wholly below it, or else halved, in time or
in offset, whichever is wider. A moment is certain if no box over it is other than above, and
possible if some box over it is other than below. What is as small as it need be and still open
counts against what is certain, and for what is possible. A box over moments that are known to be
possible and not certain is left alone: so only the ends of contacts are looked at closely.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.horizon import Horizon
from contactd.core.contacts.mask_range import MaskRange
from contactd.core.contacts.motion import (
    ANGLE_PER_STEP_RAD,
    EARTH_RATE_RAD_S,
    LONGEST_STEP_S,
    Motion,
)
from contactd.core.contacts.motion_set import POLYNOMIAL_SLACK, SPEED_SLACK, MotionSet, View
from contactd.core.contacts.prediction import motions
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.orbit.track import Track

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

SHORTEST_S = 4e-3
NARROWEST_S = 4e-3
SHORTEST_OVER_MASK_S = 0.03
NARROWEST_OVER_MASK_S = 0.25
SMALLEST_SINE = 2e-5
"""What changes by less than this (0.001°) over a box is not looked at more closely."""
LOOKS_PER_SEGMENT = 12
CELL_STRETCHES = 3
MOST_CELLS = 128
BEYOND_SHARE = 0.25
"""The polynomials hold as well so much of a segment beyond their ends."""
_BOXES_AT_ONCE = 20_000
_APART_S = 10_000.0


@dataclass(frozen=True, slots=True)
class Bounded:
    """When a target stands above a horizon.

    Attributes:
        certain: for every motion within the error.
        possible: for some motion within it; nothing outside.
        looked_at: the stretches in which the motion is known for all offsets.
    """

    certain: IntervalSet = EMPTY
    possible: IntervalSet = EMPTY
    looked_at: IntervalSet = EMPTY

    def joined(self, other: Bounded) -> Bounded:
        """Both together."""
        return Bounded(
            self.certain | other.certain,
            self.possible | other.possible,
            self.looked_at | other.looked_at,
        )


@dataclass(frozen=True)
class _Boxes:
    """Boxes of instants (s) and offsets (shares of the bound) at stations, ``[n]`` each.

    Attributes:
        starts, ends, low, high: of each box.
        station: number of its horizon.
    """

    starts: FloatArray
    ends: FloatArray
    low: FloatArray
    high: FloatArray
    station: IndexArray

    def __len__(self) -> int:
        return len(self.starts)

    def where(self, keep: BoolArray) -> _Boxes:
        return _Boxes(
            self.starts[keep], self.ends[keep], self.low[keep], self.high[keep], self.station[keep]
        )

    def halved(self, in_time: BoolArray) -> _Boxes:
        """Each in two, in time or in offset."""
        middle = 0.5 * (self.starts + self.ends)
        between = 0.5 * (self.low + self.high)
        return _Boxes(
            np.concatenate([self.starts, np.where(in_time, middle, self.starts)]),
            np.concatenate([np.where(in_time, middle, self.ends), self.ends]),
            np.concatenate([self.low, np.where(in_time, self.low, between)]),
            np.concatenate([np.where(in_time, self.high, between), self.high]),
            np.concatenate([self.station, self.station]),
        )


@dataclass(frozen=True)
class _Seen:
    """What is seen of boxes, ``[n]`` each.

    Attributes:
        by_all, by_none: proved: in view for every displacement across the track, or for none.
        not_by_all, by_some: as far as first derivatives tell; an error only makes certain
            coverage less, and possible coverage more.
        is_small: nothing more is gained by halving it.
    """

    by_all: BoolArray
    not_by_all: BoolArray
    by_some: BoolArray
    by_none: BoolArray
    is_small: BoolArray

    def where(self, keep: BoolArray) -> _Seen:
        return _Seen(
            self.by_all[keep],
            self.not_by_all[keep],
            self.by_some[keep],
            self.by_none[keep],
            self.is_small[keep],
        )

    @classmethod
    def together(cls, parts: Sequence[_Seen]) -> _Seen:
        return cls(
            np.concatenate([each.by_all for each in parts]),
            np.concatenate([each.not_by_all for each in parts]),
            np.concatenate([each.by_some for each in parts]),
            np.concatenate([each.by_none for each in parts]),
            np.concatenate([each.is_small for each in parts]),
        )


class _Moments:
    """Moments at all stations in one set: each station's lie on a stretch of their own."""

    def __init__(self, start: float, end: float) -> None:
        self._start = start
        self._length_s = end - start + _APART_S
        self.known = EMPTY

    def add(self, boxes: _Boxes) -> None:
        """Add the moments of boxes."""
        if len(boxes):
            self.known = self.known | IntervalSet(*self._placed(boxes))

    def hold(self, boxes: _Boxes) -> BoolArray:
        """Whether all moments of each box are known, ``[n]``."""
        starts, ends = self._placed(boxes)
        if not self.known:
            return np.zeros(len(boxes), dtype=np.bool_)
        index = np.searchsorted(self.known.starts, starts, side="right") - 1
        return (index >= 0) & (self.known.ends[np.maximum(index, 0)] >= ends)

    def of(self, station: int) -> IntervalSet:
        """The moments of one station."""
        first = station * self._length_s
        mine = self.known.clip(first, first + self._length_s)
        return mine.shift(self._start - first)

    def _placed(self, boxes: _Boxes) -> tuple[FloatArray, FloatArray]:
        first = boxes.station * self._length_s - self._start
        return boxes.starts + first, boxes.ends + first


def bounded(
    track: Track,
    horizons: Sequence[Horizon],
    error: OrbitError,
    epoch: float,
    start: float,
    end: float,
) -> list[Bounded]:
    """Certain and possible times in ``[start, end)`` above each of the horizons.

    Args:
        error: of the orbit; not exact.
        epoch: instant (s) that its age counts from.
        start, end: instants (s).
    """
    if end <= start or not horizons:
        return [Bounded() for _ in horizons]
    ages = np.array([start - epoch, end - epoch])
    reach_s = float((error.bounds_s(ages) + np.abs(error.centres_s(ages))).max()) + 1.0
    found = [Bounded() for _ in horizons]
    for motion in motions(track, start - reach_s, end + reach_s):
        first, last = _usable(motion, start, end, reach_s)
        if last > first:
            parts = _of_motion(motion, horizons, error, epoch, first, last)
            found = [one.joined(other) for one, other in zip(found, parts, strict=True)]
    return found


def _usable(motion: Motion, start: float, end: float, reach_s: float) -> tuple[float, float]:
    """The instants (s) for which all offsets lie where the motion is known."""
    short_s = max(reach_s - BEYOND_SHARE * motion.step_s, 0.0)
    return max(start, motion.start + short_s), min(end, motion.end - short_s)


def _of_motion(
    motion: Motion,
    horizons: Sequence[Horizon],
    error: OrbitError,
    epoch: float,
    start: float,
    end: float,
) -> list[Bounded]:
    moving = MotionSet(motion, horizons, error, epoch)
    skyline = _Skyline(horizons)
    first = _looked_at(moving, skyline, start, end)
    # Certain is what may be above the horizon at all offsets, less all that is not.
    certain, against, possible = (_Moments(start, end) for _ in range(3))
    certain.add(first.everywhere)
    against.add(first.partly)
    possible.add(first.above)
    open_ = first.open
    while len(open_):
        seen = _seen(moving, skyline, open_)
        possible.add(open_.where(seen.by_some))
        against.add(open_.where(seen.not_by_all))
        undecided = ~seen.by_all & ~against.hold(open_)
        undecided |= ~seen.by_none & ~possible.hold(open_)
        open_, seen = open_.where(undecided), seen.where(undecided)
        length_s = open_.ends - open_.starts
        width_s = moving.bounds_s(open_.ends) * (open_.high - open_.low)
        shortest_s, narrowest_s = (
            skyline.shortest_s[open_.station],
            skyline.narrowest_s[open_.station],
        )
        long, wide = length_s > shortest_s, width_s > narrowest_s
        small = seen.is_small | (~long & ~wide)
        possible.add(open_.where(small & ~seen.by_none))
        against.add(open_.where(small & ~seen.by_all))
        in_time = long & ((length_s >= width_s) | ~wide)
        open_ = open_.where(~small).halved(in_time[~small])
    looked_at = IntervalSet([start], [end])
    return [
        Bounded(certain.of(number) - against.of(number), possible.of(number), looked_at)
        for number in range(len(horizons))
    ]


class _Skyline:
    """Several horizons: their lowest and highest places, and how closely each is looked at."""

    def __init__(self, horizons: Sequence[Horizon]) -> None:
        self.masks = {
            number: MaskRange(each) for number, each in enumerate(horizons) if not each.is_flat
        }
        self.lowest = np.sin(np.radians([each.flat_deg for each in horizons]))
        self.highest = self.lowest.copy()
        self.shortest_s = np.full(len(horizons), SHORTEST_S)
        self.narrowest_s = np.full(len(horizons), NARROWEST_S)
        for number, mask in self.masks.items():
            self.highest[number] = mask.highest_sine
            self.shortest_s[number] = SHORTEST_OVER_MASK_S
            self.narrowest_s[number] = NARROWEST_OVER_MASK_S

    def under(self, view: View, station: IndexArray) -> tuple[FloatArray, FloatArray]:
        """Sines of the lowest and the highest place of the horizon under boxes, ``[n]``."""
        least, greatest = self.lowest[station], self.highest[station]
        for number, mask in self.masks.items():
            mine = np.flatnonzero(station == number)
            if len(mine):
                least[mine], greatest[mine] = mask.between(
                    view.azimuth_deg[:, mine], view.moved_km[mine], view.level_km[mine]
                )
        return least, greatest


@dataclass(frozen=True)
class _FirstLook:
    """What a first look finds.

    Attributes:
        above, open: boxes above the horizon, and those that are not decided.
        everywhere, partly: stretches in which the target may be above the horizon at all offsets,
            or only at some.
    """

    above: _Boxes
    open: _Boxes
    everywhere: _Boxes
    partly: _Boxes


def _looked_at(moving: MotionSet, skyline: _Skyline, start: float, end: float) -> _FirstLook:
    """What a first look finds above the horizon, and what it leaves open.

    No place is farther from the nominal one within a stretch and within the error than speed times
    time; the sine changes by at most that over the least range.
    """
    at, stretch_s = _stretches(moving.motion, start, end)
    looks = len(at)
    bound = moving.bounds_s(at)
    # Cells of offsets no wider than some stretches, for each of which the target is somewhere else.
    wanted = max(float(bound.max()) / (CELL_STRETCHES * stretch_s), 1.0)
    cells = min(2 ** math.ceil(math.log2(wanted)), MOST_CELLS)
    above: list[_Boxes] = []
    open_: list[_Boxes] = []
    far_somewhere = [np.zeros(looks - 1, dtype=np.bool_) for _ in moving.foot_km]
    near_somewhere = [np.zeros(looks - 1, dtype=np.bool_) for _ in moving.foot_km]
    edges = np.linspace(-1.0, 1.0, cells + 1)
    for low, high in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        offsets = moving.error.centres_s(at - moving.epoch) + 0.5 * (low + high) * bound
        position, velocity = moving.states(at, offsets)
        speed = np.sqrt(np.einsum("ni,ni->n", velocity, velocity))
        turning = speed + EARTH_RATE_RAD_S * np.sqrt(np.einsum("ni,ni->n", position, position))
        moved = 0.5 * np.diff(at) * np.maximum(turning[1:], turning[:-1])
        width_s = 0.5 * (high - low) * np.maximum(bound[1:], bound[:-1])
        moved += np.maximum(speed[1:], speed[:-1]) * width_s
        moved = SPEED_SLACK * moved + moving.displacement_km
        for number, (foot, axes) in enumerate(zip(moving.foot_km, moving.axes, strict=True)):
            lowest, highest = _reached(position - foot, axes[2], moved)
            may_be = highest >= skyline.lowest[number]
            must_be = lowest >= skyline.highest[number]
            above.append(_whole(at, np.flatnonzero(must_be), number, low, high))
            open_.append(_whole(at, np.flatnonzero(may_be & ~must_be), number, low, high))
            near_somewhere[number] |= may_be
            far_somewhere[number] |= ~may_be
    everywhere = [
        _whole(at, np.flatnonzero(near & ~far), number)
        for number, (near, far) in enumerate(zip(near_somewhere, far_somewhere, strict=True))
    ]
    partly = [
        _whole(at, np.flatnonzero(near & far), number)
        for number, (near, far) in enumerate(zip(near_somewhere, far_somewhere, strict=True))
    ]
    return _FirstLook(_together(above), _together(open_), _together(everywhere), _together(partly))


def _stretches(motion: Motion, start: float, end: float) -> tuple[FloatArray, float]:
    """The ends of the stretches that are looked at first, ``[n]``, and how long they are (s).

    They do not depend on the span, so that whoever asks for another span finds the same ends of
    coverage: all halves of whole powers of two fall on the same instants.
    """
    longest_s = min(ANGLE_PER_STEP_RAD / motion.track.fastest_rate_rad_s, LONGEST_STEP_S)
    stretch_s = 2.0 ** math.floor(math.log2(longest_s / LOOKS_PER_SEGMENT))
    first, last = math.floor(start / stretch_s) + 1, math.ceil(end / stretch_s)
    between = stretch_s * np.arange(first, last)
    return np.concatenate([[start], between, [end]]), stretch_s


def _reached(
    away: FloatArray, up: FloatArray, moved_km: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Bounds of the sine of the elevation within stretches, from both their ends, ``[n]``."""
    range_km = np.sqrt(np.einsum("ni,ni->n", away, away))
    sine = away @ up / range_km
    least_km = np.minimum(range_km[1:], range_km[:-1]) - moved_km
    with np.errstate(divide="ignore", invalid="ignore"):
        change = np.where(least_km > 0.0, moved_km / least_km, np.inf) + POLYNOMIAL_SLACK
    return np.minimum(sine[1:], sine[:-1]) - change, np.maximum(sine[1:], sine[:-1]) + change


def _seen(moving: MotionSet, skyline: _Skyline, boxes: _Boxes) -> _Seen:
    """What is seen of each box."""
    found: list[_Seen] = []
    for first in range(0, len(boxes), _BOXES_AT_ONCE):
        some = slice(first, first + _BOXES_AT_ONCE)
        station = boxes.station[some]
        view = moving.view(
            np.stack([boxes.starts[some], boxes.ends[some]]),
            np.stack([boxes.low[some], boxes.high[some]]),
            station,
        )
        least, greatest = skyline.under(view, station)
        lowest, highest = view.lowest - greatest, view.highest - least
        found.append(
            _Seen(
                by_all=lowest >= view.across,
                not_by_all=highest < view.across,
                by_some=lowest >= -view.across,
                by_none=highest < -view.across,
                is_small=highest - lowest <= SMALLEST_SINE,
            )
        )
    return found[0] if len(found) == 1 else _Seen.together(found)


def _whole(
    at: FloatArray, stretches: IndexArray, station: int, low: float = -1.0, high: float = 1.0
) -> _Boxes:
    """Boxes over whole stretches, and all offsets between two shares of the bound."""
    ones = np.ones(len(stretches))
    return _Boxes(
        at[stretches],
        at[stretches + 1],
        low * ones,
        high * ones,
        np.full(len(stretches), station, np.intp),
    )


def _together(parts: Sequence[_Boxes]) -> _Boxes:
    return _Boxes(
        np.concatenate([each.starts for each in parts]),
        np.concatenate([each.ends for each in parts]),
        np.concatenate([each.low for each in parts]),
        np.concatenate([each.high for each in parts]),
        np.concatenate([each.station for each in parts]),
    )
