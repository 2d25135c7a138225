"""Which stretches of an opportunity an antenna may be given for: whole, or cut where that helps.

An antenna's time can be cut anywhere, but only some cuts can be of use: where another target's
contact ends or begins, where another that has just its least duration ends or begins, and where
one that began right after such a one ends. A grant that begins elsewhere could begin earlier
without harm to any other (the argument of left-shifted schedules; common practice, no source).

The number of cuts of an opportunity is bounded, so that in a crowd not every such stretch is
offered; :data:`MOST_CUTS` says how many are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

MOST_NEIGHBOURS = 24
MOST_CUTS = 8
MOST_SESSIONS = 400_000
ROUGHLY_S = 1e-6


@dataclass(frozen=True, slots=True)
class Hosts:
    """Times in view at one station, in the order of ``first``; shapes ``[n]``, instants in s.

    Attributes:
        target: index of the target.
        first, last: antenna time that may be given.
        usable_from, usable_to: what of it counts.
        least_s: what must be given at least.
    """

    target: IndexArray
    first: FloatArray
    last: FloatArray
    usable_from: FloatArray
    usable_to: FloatArray
    least_s: FloatArray

    def __len__(self) -> int:
        return len(self.target)


@dataclass(frozen=True, slots=True)
class Sessions:
    """Stretches of antenna time, each of one host; shapes ``[m]``."""

    host: IndexArray
    start: FloatArray
    end: FloatArray


def find_sessions(hosts: Hosts, gap_s: float, taken: FloatArray, cuts: int = MOST_CUTS) -> Sessions:
    """The stretches that a station may give.

    Args:
        gap_s: teardown and setup between the grants of two targets.
        taken: stretches that were granted before, ``[k, 3]``: target index, start, end (s).
        cuts: at most so many cuts at either side of an opportunity.

    Returns:
        Each host's whole time first among its own; none is shorter than its least duration.
    """
    if not len(hosts):
        return Sessions(np.zeros(0, np.intp), np.zeros(0), np.zeros(0))
    near, is_near = _neighbours(hosts, gap_s)
    starts, ends = _cuts(hosts, near, is_near, gap_s)
    before = taken[:, 2] + gap_s, taken[:, 1] - gap_s
    starts = np.concatenate([starts, *_each_row(hosts, before[0])], axis=1)
    ends = np.concatenate([ends, *_each_row(hosts, before[1])], axis=1)
    latest = (hosts.usable_to - hosts.least_s)[:, None]
    earliest = (hosts.usable_from + hosts.least_s)[:, None]
    starts = _tidy(np.ceil(starts - ROUGHLY_S), hosts.first[:, None], latest, cuts)
    ends = _tidy(np.floor(ends + ROUGHLY_S), earliest, hosts.last[:, None], cuts)
    starts = np.concatenate([hosts.first[:, None], starts], axis=1)
    ends = np.concatenate([hosts.last[:, None], ends], axis=1)
    return _distinct(
        [
            _pairs(starts, ends),
            _both(starts, np.maximum(starts, hosts.usable_from[:, None]) + hosts.least_s[:, None]),
            _both(np.minimum(ends, hosts.usable_to[:, None]) - hosts.least_s[:, None], ends),
            _as_before(hosts, taken),
        ],
        hosts,
    )


def _neighbours(hosts: Hosts, gap_s: float) -> tuple[IndexArray, BoolArray]:
    """Hosts in the way of each, padded; and which of these count."""
    reach = np.maximum.accumulate(hosts.last)
    low = np.searchsorted(reach, hosts.first - gap_s, side="right")
    high = np.searchsorted(hosts.first, hosts.last + gap_s, side="left")
    width = int(min(max((high - low).max(), 1), MOST_NEIGHBOURS))
    near = low[:, None] + np.arange(width)
    is_near = near < high[:, None]
    near = np.minimum(near, len(hosts) - 1)
    is_near &= near != np.arange(len(hosts))[:, None]
    is_near &= hosts.last[near] > hosts.first[:, None] - gap_s
    return near, is_near


def _cuts(
    hosts: Hosts, near: IndexArray, is_near: BoolArray, gap_s: float
) -> tuple[FloatArray, FloatArray]:
    """Where to begin after others, and where to end before them; NaN where there is none."""
    soonest = hosts.usable_from + hosts.least_s
    latest = hosts.usable_to - hosts.least_s
    after_least = np.where(is_near, soonest[near] + gap_s, np.nan)
    # A neighbour that itself begins only after its own neighbour's least.
    chained = np.maximum(after_least, hosts.usable_from[:, None]) + hosts.least_s[:, None] + gap_s
    chained[after_least > latest[:, None]] = np.nan
    width = near.shape[1]
    after_chain = np.where(is_near[:, :, None], chained[near], np.nan).reshape(len(near), -1)
    starts = [np.where(is_near, hosts.last[near] + gap_s, np.nan), after_least, after_chain]
    ends = [
        np.where(is_near, hosts.first[near] - gap_s, np.nan),
        np.where(is_near, latest[near] - gap_s, np.nan),
    ]
    assert after_chain.shape[1] == width * width
    return np.concatenate(starts, axis=1), np.concatenate(ends, axis=1)


def _each_row(hosts: Hosts, cuts: FloatArray) -> list[FloatArray]:
    """The cuts that lie within each host, a row each, padded with NaN."""
    ordered = np.sort(cuts)
    low = np.searchsorted(ordered, hosts.first)
    high = np.searchsorted(ordered, hosts.last)
    width = int(min((high - low).max(), MOST_NEIGHBOURS)) if len(ordered) else 0
    if not width:
        return []
    at = low[:, None] + np.arange(width)
    values = ordered[np.minimum(at, len(ordered) - 1)]
    return [np.where(at < high[:, None], values, np.nan)]


def _tidy(values: FloatArray, low: FloatArray, high: FloatArray, most: int) -> FloatArray:
    """Each row's distinct values between its bounds, ``most`` of them evenly picked."""
    if not most:
        return np.zeros((len(values), 0))
    values = np.where((values > low) & (values < high), values, np.nan)
    values = np.sort(values, axis=1)  # NaN goes last
    values[:, 1:][values[:, 1:] == values[:, :-1]] = np.nan
    values = np.sort(values, axis=1)
    count = np.isfinite(values).sum(axis=1)
    width = int(min(most, max(count.max(), 1)))
    picks = np.arange(width)
    spread = np.rint(picks * np.maximum(count - 1, 0)[:, None] / max(width - 1, 1)).astype(np.intp)
    at = np.where((count > width)[:, None], spread, picks)
    return np.where(
        picks < count[:, None],
        np.take_along_axis(values, np.minimum(at, values.shape[1] - 1), 1),
        np.nan,
    )


Stretches = tuple[IndexArray, FloatArray, FloatArray]


def _pairs(starts: FloatArray, ends: FloatArray) -> Stretches:
    """Every start with every end."""
    row, one, other = np.nonzero(starts[:, :, None] < ends[:, None, :])
    return row, starts[row, one], ends[row, other]


def _both(starts: FloatArray, ends: FloatArray) -> Stretches:
    """Starts and ends that belong together."""
    row, column = np.nonzero(starts < ends)
    return row, starts[row, column], ends[row, column]


def _as_before(hosts: Hosts, taken: FloatArray) -> Stretches:
    """What was granted before, as far as the target is in view now."""
    rows, starts, ends = [], [], []
    for target, start, end in taken:
        mine = (hosts.target == target) & (hosts.first < end) & (hosts.last > start)
        for row in np.flatnonzero(mine):
            rows.append(row)
            starts.append(max(start, hosts.first[row]))
            ends.append(min(end, hosts.last[row]))
    return np.array(rows, dtype=np.intp), np.array(starts), np.array(ends)


def _distinct(parts: list[Stretches], hosts: Hosts) -> Sessions:
    """All stretches that give their host its least duration, each once, in order."""
    host = np.concatenate([part[0] for part in parts])
    start = np.concatenate([part[1] for part in parts])
    end = np.concatenate([part[2] for part in parts])
    inside = (start >= hosts.first[host]) & (end <= hosts.last[host])
    counted_s = np.minimum(end, hosts.usable_to[host]) - np.maximum(start, hosts.usable_from[host])
    keep = inside & (counted_s >= hosts.least_s[host] - ROUGHLY_S)
    host, start, end = host[keep], start[keep], end[keep]
    order = np.lexsort((-end, start, host))
    host, start, end = host[order], start[order], end[order]
    fresh = np.ones(len(host), dtype=np.bool_)
    fresh[1:] = (
        (host[1:] != host[:-1])
        | (np.abs(start[1:] - start[:-1]) > ROUGHLY_S)
        | (np.abs(end[1:] - end[:-1]) > ROUGHLY_S)
    )
    return Sessions(host[fresh], start[fresh], end[fresh])
