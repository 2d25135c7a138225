"""Exact states at any instants, and what is judged by them.

``sky`` is everything that a propagator needs of one satellite, as a tuple of arrays and numbers:
(deep, coefficients, resonance steps, first step, minutes from epoch to the span's start, Greenwich
knots, seconds of the first knot, Earth's rate, a block to work in).
"""

from __future__ import annotations

import math

import numpy as np

from contactd.core.contacts.compiled.deep_space import deep_states
from contactd.core.contacts.compiled.kernel import LANES, kernel
from contactd.core.contacts.compiled.near_earth import (
    GREENWICH,
    MINUTES,
    VX,
    VY,
    VZ,
    X,
    Y,
    Z,
    near_states,
)
from contactd.core.contacts.compiled.segment import clearance

KNOT_S = 86_400.0
MU = 398_600.4418
PARABOLA_HALF_RAD = 2e-3


@kernel
def set_instant(w, at, lane, seconds, offset_minutes, knots, first_knot_s):
    """One lane's instant (seconds since the span's start): minutes since epoch, Greenwich angle."""
    since = seconds - first_knot_s
    knot = min(max(int(since / KNOT_S), 0), len(knots) - 1)
    w[at + MINUTES * LANES + lane] = offset_minutes + seconds / 60.0
    w[at + GREENWICH * LANES + lane] = knots[knot, 0] + knots[knot, 1] * (since - knot * KNOT_S)


@kernel
def propagate(sky, w, at):
    """States of one block whose instants have been set."""
    deep, k, steps, first, _, _, _, rate, _ = sky
    if deep:
        deep_states(k, steps, first, w, at, rate)
    else:
        near_states(k, w, at, rate)


@kernel
def set_instants(sky, seconds, count):
    """Propagate the satellite's own block to the first ``count`` of ``seconds``."""
    _, _, _, _, offset, knots, first_knot, _, block = sky
    for lane in range(LANES):
        set_instant(
            block, np.int64(0), lane, seconds[min(lane, count - 1)], offset, knots, first_knot
        )
    propagate(sky, block, np.int64(0))


@kernel
def lane_clearance(block, lane, s):
    """Clearance (km) and its rate (km/s) of one lane of a propagated block."""
    return clearance(
        s,
        block[X * LANES + lane], block[Y * LANES + lane], block[Z * LANES + lane],
        block[VX * LANES + lane], block[VY * LANES + lane], block[VZ * LANES + lane],
    )  # fmt: skip


@kernel
def half_width(block, lane, step):
    """Seconds to either side over which a parabola through exact states finds a turning point."""
    x, y, z = block[X * LANES + lane], block[Y * LANES + lane], block[Z * LANES + lane]
    radius = math.sqrt(x * x + y * y + z * z)
    return min(PARABOLA_HALF_RAD * math.sqrt(radius**3 / MU), 0.25 * step)


@kernel
def exact_turning(sky, s, guess, step):
    """Turning point of the clearance near a guess (s), and the clearance (km) there."""
    _, _, _, _, offset, knots, first_knot, _, block = sky
    for lane in range(LANES):
        set_instant(block, np.int64(0), lane, guess, offset, knots, first_knot)
    propagate(sky, block, np.int64(0))
    half = half_width(block, np.int64(0), step)
    for lane in range(LANES):
        set_instant(
            block, np.int64(0), lane, guess + (lane % 3 - 1) * half, offset, knots, first_knot
        )
    propagate(sky, block, np.int64(0))
    low, _ = lane_clearance(block, np.int64(0), s)
    here, _ = lane_clearance(block, np.int64(1), s)
    high, _ = lane_clearance(block, np.int64(2), s)
    bend = low - 2.0 * here + high
    shift = 0.5 * half * (low - high) / bend if bend != 0.0 else 0.0
    at = guess + min(max(shift, -half), half)
    for lane in range(LANES):
        set_instant(block, np.int64(0), lane, at, offset, knots, first_knot)
    propagate(sky, block, np.int64(0))
    value, _ = lane_clearance(block, np.int64(0), s)
    return at, value
