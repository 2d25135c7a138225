"""Finds when a motion stands above a horizon: every rise, set and highest point.

Near the station the clearance above the horizon is sampled (:mod:`sampling`). Where its rate turns
between two samples, the turning point becomes a sample too; then every change of sign between
neighbours holds exactly one crossing. It is found on the polynomials first, and then by the
propagator itself until it stands still, so that the answer does not depend on where the nodes lay.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.horizon import Horizon
from contactd.core.contacts.motion import (
    MU_KM3_S2,
    Motion,
    rotating_acceleration,
)
from contactd.core.contacts.roots import MOST_ROUNDS, solve
from contactd.core.contacts.sampling import NEAR_GRAZING, SAMPLES_PER_SEGMENT, samples_of

FloatArray = NDArray[np.float64]
Measure = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
Function = Callable[[FloatArray], tuple[FloatArray, FloatArray]]

_CONVERGED_S = 1e-5
_LONGEST_SUMMIT_STEP_S = 5.0
PARABOLA_HALF_RAD = 2e-3


@dataclass(frozen=True, slots=True)
class Spans:
    """Contacts of one motion with one horizon; arrays of shape ``[n]``, ascending.

    Attributes:
        starts, ends: instants (s).
        peaks: instants (s) of the highest elevation in each.
        cut_at_start, cut_at_end: in view already, or still, where the motion begins or ends.
    """

    starts: FloatArray
    ends: FloatArray
    peaks: FloatArray
    cut_at_start: NDArray[np.bool_]
    cut_at_end: NDArray[np.bool_]


def find_spans(motion: Motion, horizon: Horizon) -> Spans:
    """All spans in which the motion stands on or above the horizon."""
    samples = samples_of(motion, horizon)
    if not len(samples):
        none = np.zeros(0, dtype=np.bool_)
        return Spans(np.zeros(0), np.zeros(0), np.zeros(0), none, none)
    clearance = _on_polynomials(motion, horizon.clearance)
    instants, value = _with_turning_points(
        samples, clearance, _exactly(motion, horizon.clearance), motion
    )
    rises, sets = _crossings(motion, horizon, instants, value)
    starts_inside = bool(instants[0] <= motion.start and value[0] >= 0.0)
    ends_inside = bool(instants[-1] >= motion.end and value[-1] >= 0.0)
    starts = np.concatenate([[motion.start] if starts_inside else [], rises])
    ends = np.concatenate([sets, [motion.end] if ends_inside else []])
    cut_at_start = np.zeros(len(starts), dtype=np.bool_)
    cut_at_end = np.zeros(len(ends), dtype=np.bool_)
    cut_at_start[:1] = starts_inside
    cut_at_end[-1:] = ends_inside
    keep = ends > starts
    starts, ends = starts[keep], ends[keep]
    peaks = _peaks(motion, horizon, starts, ends)
    return Spans(starts, ends, peaks, cut_at_start[keep], cut_at_end[keep])


def _on_polynomials(motion: Motion, measure: Measure) -> Function:
    return lambda instants: measure(*motion.states(instants))


def _exactly(motion: Motion, measure: Measure) -> Function:
    return lambda instants: measure(*motion.exact_states(instants))


def _with_turning_points(
    samples: FloatArray, clearance: Function, exact: Function, motion: Motion
) -> tuple[FloatArray, FloatArray]:
    """Samples and clearances, with the turning points between samples put among them.

    A turning point so near to the horizon that the polynomials' error could hide (or invent) a
    contact is judged by exact states.
    """
    value, rate = clearance(samples)
    t0, t1 = samples[:-1], samples[1:]
    # A turning point matters only if it may lie on the other side of the horizon than both ends:
    # twice the tangent bounds it, since the curve hardly bends within a twelfth of a radian.
    span = 2.0 * (t1 - t0)
    from_left, from_right = value[:-1] + rate[:-1] * span, value[1:] - rate[1:] * span
    summit = (rate[:-1] > 0) & (rate[1:] <= 0) & (value[:-1] < 0) & (value[1:] < 0)
    summit &= np.minimum(from_left, from_right) > -NEAR_GRAZING
    trough = (rate[:-1] < 0) & (rate[1:] >= 0) & (value[:-1] >= 0) & (value[1:] >= 0)
    trough &= np.maximum(from_left, from_right) < NEAR_GRAZING
    turning = np.flatnonzero(summit | trough)
    if not len(turning):
        return samples, value
    at = solve(
        lambda instants: clearance(instants)[1],
        t0[turning],
        t1[turning],
        rate[:-1][turning],
        rate[1:][turning],
        1e-3,
    )
    found, _ = clearance(at)
    doubtful = np.abs(found) < NEAR_GRAZING
    if doubtful.any():
        at[doubtful], found[doubtful] = _exact_turning(exact, at[doubtful], motion)
    instants = np.concatenate([samples, at])
    values = np.concatenate([value, found])
    order = np.argsort(instants, kind="stable")
    return instants[order], values[order]


def _exact_turning(
    exact: Function, guess: FloatArray, motion: Motion
) -> tuple[FloatArray, FloatArray]:
    """Turning points near guesses by parabolas through exact clearances."""
    radius = np.linalg.norm(motion.states(guess)[0], axis=1)
    half = np.minimum(PARABOLA_HALF_RAD * np.sqrt(radius**3 / MU_KM3_S2), motion.step_s / 4.0)
    first, last = motion.start + half, np.maximum(motion.end - half, motion.start + half)
    at = np.clip(guess, first, last)
    for _ in range(8):
        low, here, high = exact(at - half)[0], exact(at)[0], exact(at + half)[0]
        bend = low - 2.0 * here + high
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = np.where(bend != 0.0, 0.5 * half * (low - high) / bend, 0.0)
        far = np.abs(shift) > 0.02 * half
        at = np.clip(at + np.clip(shift, -8.0 * half, 8.0 * half), first, last)
        if not far.any():
            break
    return at, exact(at)[0]


def _crossings(
    motion: Motion, horizon: Horizon, instants: FloatArray, value: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Instants of the rises and of the sets between samples of opposite sign."""
    above = value >= 0.0
    change = np.flatnonzero(above[1:] != above[:-1])
    if not len(change):
        return np.zeros(0), np.zeros(0)
    low, high = instants[change].copy(), instants[change + 1].copy()
    on_polynomials = _on_polynomials(motion, horizon.clearance)
    at = solve(
        lambda where: on_polynomials(where)[0],
        low,
        high,
        value[change],
        value[change + 1],
        1e-4,
    )
    at = _polished(motion, horizon, at, low, high, above[change + 1])
    rising = above[change + 1]
    return at[rising], at[~rising]


def _polished(
    motion: Motion,
    horizon: Horizon,
    at: FloatArray,
    low: FloatArray,
    high: FloatArray,
    rising: NDArray[np.bool_],
) -> FloatArray:
    """Crossings made exact: Newton with the propagator, within brackets; bisection if it stalls."""
    exact = _exactly(motion, horizon.clearance)
    at = at.copy()
    # The polynomials' own error may have put the crossing beyond a sample: leave some play.
    play = 1e-2 * motion.step_s
    floor = np.maximum(low - play, motion.start)
    roof = np.minimum(high + play, motion.end)
    busy = np.arange(len(at))
    for _ in range(8):
        position, velocity = motion.exact_states(at[busy])
        value, rate = _or_below(*horizon.clearance(position, velocity))
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(rate != 0.0, -value / rate, 0.0)
        wrong_way = (rate > 0.0) != rising[busy]
        step = np.where(wrong_way, np.nan, step)
        moved = np.clip(at[busy] + step, floor[busy], roof[busy])
        stuck = ~np.isfinite(moved)
        moved = np.where(stuck, at[busy], moved)
        settled = (np.abs(moved - at[busy]) < 1e-3) & ~stuck
        if not horizon.is_flat:
            # Beyond a corner of the mask the slope is another one.
            beyond = position + velocity * (moved - at[busy])[:, None]
            settled &= horizon.piece(position) == horizon.piece(beyond)
        # Newton's error after a step is the square of the step's: one below 1 ms is the last.
        at[busy] = moved
        busy = busy[~settled]
        if not len(busy):
            return at
    at[busy] = _bisected(exact, at[busy], low[busy], high[busy], rising[busy])
    return at


def _or_below(value: FloatArray, rate: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Clearance and rate; where the propagator had no state, far below and level."""
    lost = ~np.isfinite(value)
    return np.where(lost, -1.0, value), np.where(lost, 0.0, rate)


def _bisected(
    exact: Function,
    guess: FloatArray,
    low: FloatArray,
    high: FloatArray,
    rising: NDArray[np.bool_],
) -> FloatArray:
    """Crossings by halving the bracket with exact clearances (grazing passes)."""
    low, high = low.copy(), high.copy()
    sound = np.zeros(len(low), dtype=np.bool_)
    play = 1e-3
    for _ in range(8):
        early = (_or_below(*exact(low))[0] >= 0.0) == rising
        late = (_or_below(*exact(high))[0] >= 0.0) != rising
        sound = ~(early | late)
        if sound.all():
            break
        # The polynomials' error has put the crossing before the bracket, or after it.
        low = np.where(early, low - play, low)
        high = np.where(late & ~early, high + play, high)
        play *= 4.0
    for _ in range(MOST_ROUNDS):
        if not (high - low > _CONVERGED_S).any():
            break
        middle = 0.5 * (low + high)
        above = _or_below(*exact(middle))[0] >= 0.0
        to_low = above != rising
        low = np.where(to_low, middle, low)
        high = np.where(to_low, high, middle)
    return np.where(sound, 0.5 * (low + high), guess)


def _peaks(motion: Motion, horizon: Horizon, starts: FloatArray, ends: FloatArray) -> FloatArray:
    """Instant of the highest elevation in each span (its edge, where the span is cut)."""
    spans = len(starts)
    if not spans:
        return starts
    height = _on_polynomials(motion, horizon.height)
    spacing = motion.step_s / SAMPLES_PER_SEGMENT
    counts = np.ceil((ends - starts) / spacing).astype(np.int64) + 2
    owner = np.repeat(np.arange(spans), counts)
    within = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    instants = starts[owner] + (ends - starts)[owner] * (within / (counts[owner] - 1))
    rate = height(instants)[1]
    summit = np.flatnonzero((rate[:-1] > 0) & (rate[1:] <= 0) & (owner[:-1] == owner[1:]))
    tops = solve(
        lambda where: height(where)[1],
        instants[summit],
        instants[summit + 1],
        rate[summit],
        rate[summit + 1],
        1e-4,
    )
    if len(tops):
        if motion.track_is_slow:
            tops = _exact_turning(_exactly(motion, horizon.height), tops, motion)[0]
        else:
            tops = tops + _step_to_summit(motion, horizon, tops)
        tops = np.clip(tops, starts[owner[summit]], ends[owner[summit]])
    candidates = np.concatenate([tops, starts, ends])
    heights = height(candidates)[0]
    owners = np.concatenate([owner[summit], np.arange(spans), np.arange(spans)])
    # In this order the last of each owner's candidates is its highest.
    order = np.lexsort((heights, owners))
    last = np.flatnonzero(np.diff(owners[order], append=-1))
    return np.asarray(candidates[order][last], dtype=np.float64)


def _step_to_summit(motion: Motion, horizon: Horizon, tops: FloatArray) -> FloatArray:
    """Seconds from instants close to summits to where the exact rate of the elevation vanishes."""
    position, velocity = motion.exact_states(tops)
    push = rotating_acceleration(position, velocity) @ horizon.axes.T
    away, moving = horizon.local(position, velocity)
    range_km = np.sqrt(np.einsum("ni,ni->n", away, away))
    along = np.einsum("ni,ni->n", away, moving) / range_km
    speed = np.einsum("ni,ni->n", moving, moving)
    outward = (speed + np.einsum("ni,ni->n", away, push) - along * along) / range_km
    sine = away[:, 2] / range_km
    rate = (moving[:, 2] - sine * along) / range_km
    bend = (push[:, 2] - 2.0 * rate * along - sine * outward) / range_km
    with np.errstate(divide="ignore", invalid="ignore"):
        step = -rate / bend
    sound = (bend < 0.0) & (np.abs(step) < _LONGEST_SUMMIT_STEP_S)
    return np.where(sound, step, 0.0)
