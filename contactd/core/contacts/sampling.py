"""At which instants a motion is looked at from a station, so that nothing escapes between two.

A twelfth of a radian apart wherever the target may be near enough to be in view. Over a mask, where
it stands above the lowest place of the mask, far more densely, and at every corner.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.horizon import Horizon, distinct
from contactd.core.contacts.motion import EARTH_RATE_RAD_S, Motion
from contactd.core.contacts.roots import solve

FloatArray = NDArray[np.float64]

SAMPLES_PER_SEGMENT = 5
NEAR_GRAZING = 2e-5
"""Sine or radians: nearer to the horizon than this, only exact states can tell."""
_MASK_PIECES = 16  # of a sample's distance, where a mask is looked at closely
_CORNER_SIDE_S = 5e-4  # a mask may jump: each corner is seen from both sides


def near_segments(motion: Motion, horizon: Horizon) -> NDArray[np.bool_]:
    """Which segments may come near enough to the station to be in view, shape ``[segments]``."""
    nodes = np.concatenate(
        [motion.coefficients[0], motion.coefficients[:, -1:].sum(axis=0)], axis=0
    )
    radius = np.sqrt(np.einsum("ni,ni->n", nodes, nodes))
    home = horizon.foot_km / np.linalg.norm(horizon.foot_km)
    angle = np.arccos(np.clip(nodes @ home / radius, -1.0, 1.0))
    widest = 1.02 * np.maximum(radius[1:], radius[:-1])
    sweep = 0.5 * motion.step_s * (motion.track.fastest_rate_rad_s + EARTH_RATE_RAD_S)
    return np.asarray(
        np.minimum(angle[1:], angle[:-1]) <= horizon.reach_rad(widest) + sweep, dtype=np.bool_
    )


def samples_of(motion: Motion, horizon: Horizon) -> FloatArray:
    """Ascending instants near the station, and always both ends of the motion."""
    near = near_segments(motion, horizon)
    if not near.any():
        return np.zeros(0)
    instants, joins = _edges_of(motion, np.repeat(near, SAMPLES_PER_SEGMENT), 1)
    if horizon.is_flat:
        return instants
    # Over a mask, look closely where the target stands over its lowest place.
    value, rate = horizon.height(*motion.states(instants))
    value -= np.sin(np.radians(horizon.flat_deg))
    above = _may_be_above(instants, value, rate) & joins
    if not above.any():
        return instants
    close = np.zeros(motion.segments * SAMPLES_PER_SEGMENT, dtype=np.bool_)
    close[near.repeat(SAMPLES_PER_SEGMENT)] = above[joins]
    closely, joined = _edges_of(motion, close, _MASK_PIECES)
    corners = _corner_instants(motion, horizon, closely, joined)
    return distinct(np.concatenate([instants, closely, corners]))


def _edges_of(
    motion: Motion, parts: NDArray[np.bool_], pieces: int
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """The edges of chosen parts of the motion, each cut into so many pieces.

    Args:
        parts: which are chosen, ``SAMPLES_PER_SEGMENT`` a segment.

    Returns:
        Instants, ascending, and for each but the last whether a piece begins there (and not a gap).
    """
    begins = np.repeat(parts, pieces)
    edges = np.zeros(len(begins) + 1, dtype=np.bool_)
    edges[:-1] = begins
    edges[1:] |= begins
    numbers = np.flatnonzero(edges)
    instants = motion.start + numbers * (motion.step_s / SAMPLES_PER_SEGMENT / pieces)
    instants = np.minimum(instants, motion.end)
    if numbers[-1] == len(begins):
        instants[-1] = motion.end
    return instants, begins[numbers[:-1]]


def _may_be_above(instants: FloatArray, value: FloatArray, rate: FloatArray) -> NDArray[np.bool_]:
    """Between which neighbours among samples the curve may lie above zero.

    Twice the tangent bounds it, since it hardly bends within a twelfth of a radian.
    """
    span = 2.0 * np.diff(instants)
    summit = (rate[:-1] > 0) & (rate[1:] <= 0)
    summit &= np.minimum(value[:-1] + rate[:-1] * span, value[1:] - rate[1:] * span) > -NEAR_GRAZING
    return np.asarray(np.maximum(value[:-1], value[1:]) > -NEAR_GRAZING, dtype=np.bool_) | summit


def _corner_instants(
    motion: Motion, horizon: Horizon, instants: FloatArray, joins: NDArray[np.bool_]
) -> FloatArray:
    """Instants just before and after the target passes the azimuth of each corner.

    Args:
        joins: for each instant but the last whether there is no gap before the next.
    """
    away, _ = horizon.local(*motion.states(instants))
    azimuth = np.degrees(np.arctan2(away[:, 0], away[:, 1]))
    offset = (azimuth[:, None] - horizon.corners_deg + 180.0) % 360.0 - 180.0
    passes = (np.sign(offset[1:]) != np.sign(offset[:-1])) & (
        np.abs(offset[1:] - offset[:-1]) < 180.0
    )
    row, column = np.nonzero(passes & joins[:, None])
    if not len(row):
        return np.zeros(0)
    corner = horizon.corners_deg[column]

    def offset_at(at: FloatArray) -> FloatArray:
        here, _ = horizon.local(*motion.states(at))
        bearing = np.degrees(np.arctan2(here[:, 0], here[:, 1]))
        return np.asarray((bearing - corner + 180.0) % 360.0 - 180.0)

    at = solve(
        offset_at,
        instants[row],
        instants[row + 1],
        offset[row, column],
        offset[row + 1, column],
        1e-4,
    )
    both = np.concatenate([at - _CORNER_SIDE_S, at + _CORNER_SIDE_S])
    return both[(both > motion.start) & (both < motion.end)]
