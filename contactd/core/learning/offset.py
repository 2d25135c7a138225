"""The along-track offset of one contact from what was measured in it: robust least squares.

Unknown are the offset d and each series' own constants. Gauss-Newton with Huber's weights (1.345);
what lies beyond six robust deviations is dropped. Sources: Huber, *Robust Statistics* (1981), for
the weights; the acceptance rules are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.learning.measured import Measured

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

HUBER: Final = 1.345
DROPPED_BEYOND: Final = 6.0
FLOOR_S: Final = 0.2
"""The model's own part of the bound (s)."""
LEAST_USED: Final = 20
LEAST_SHARE: Final = 0.8
LARGEST_RMS: Final = 1.5
LARGEST_SIGMA_S: Final = 1.5
LEAST_ON_A_SIDE: Final = 3
_95: Final = 1.96
_MAD: Final = 1.4826
_ROUNDS: Final = 40
_STARTS: Final = 25


@dataclass(frozen=True, slots=True)
class Estimate:
    """An along-track offset from one contact.

    Attributes:
        at: instant (s) in the middle of what was used.
        offset_s: positive: the target is early.
        sigma_s: standard deviation, grown where residuals exceed their stated noise.
        used, given: how many values counted, and how many there were.
        rms: root mean square of the weighted residuals that counted.
        chi2: robust sum of squares: what was dropped counts as much as the farthest that was not.
        problems: why the estimate is not to be used, a sentence each; empty if it is acceptable.
    """

    at: float
    offset_s: float
    sigma_s: float
    used: int
    given: int
    rms: float
    chi2: float
    problems: tuple[str, ...] = ()

    @property
    def bound_s(self) -> float:
        """95 % bound: the deviation's, and the model's own."""
        return math.hypot(_95 * self.sigma_s, FLOOR_S)

    @property
    def acceptable(self) -> bool:
        """Whether nothing speaks against using it."""
        return not self.problems


@dataclass(slots=True)
class _Rows:
    """All series as one system, in units of their noise."""

    residual: FloatArray
    slope: FloatArray
    own: FloatArray
    own_weight: FloatArray


def estimate_offset(
    series: Sequence[Measured], prior_sigma_s: float, centre_s: float = 0.0
) -> Estimate:
    """The offset that explains what was measured in one contact.

    Args:
        series: with at least one value in all.
        prior_sigma_s, centre_s: what is known of the offset beforehand.

    Raises:
        ValueError: if there is nothing to estimate from, or the track has no states there.
    """
    if not series or not sum(each.count for each in series):
        raise ValueError("nothing was measured")
    noise = [noise_of(each, prior_sigma_s, centre_s) for each in series]
    start = _nearest_start(series, noise, prior_sigma_s, centre_s)
    offset_s, weight, keep, sigma_s, residual = _iterate(
        series, noise, start, prior_sigma_s, centre_s
    )
    used = int(keep.sum())
    freedom = max(used - 1 - sum(each.unknowns()[0].shape[1] for each in series), 1)
    chi2_used = float(np.sum(weight[keep] * residual[keep] ** 2))
    sigma_s *= max(1.0, math.sqrt(chi2_used / freedom))
    rms = math.sqrt(chi2_used / max(used, 1))
    dropped = len(keep) - used
    instants = np.concatenate([np.resize(each.at, each.count) for each in series])
    made = Estimate(
        at=float(np.mean(instants[keep])) if used else float(np.mean(instants)),
        offset_s=offset_s,
        sigma_s=sigma_s,
        used=used,
        given=len(keep),
        rms=rms,
        chi2=chi2_used + dropped * HUBER * (2 * DROPPED_BEYOND - HUBER),
    )
    problems = _problems(made, series, noise, keep, prior_sigma_s, centre_s)
    return Estimate(
        made.at, made.offset_s, made.sigma_s, made.used, made.given, made.rms, made.chi2, problems
    )


def _system(series: Sequence[Measured], noise: Sequence[float], offset_s: float) -> _Rows:
    residual, slope = [], []
    columns, weights = [], []
    total = sum(each.count for each in series)
    first = 0
    for each, sigma in zip(series, noise, strict=True):
        residual.append(each.residuals(offset_s) / sigma)
        slope.append(each.slope(offset_s) / sigma)
        own, prior = each.unknowns()
        block = np.zeros((total, own.shape[1]))
        block[first : first + each.count] = own / sigma
        columns.append(block)
        weights.append(1.0 / prior)
        first += each.count
    rows = _Rows(
        np.concatenate(residual), np.concatenate(slope),
        np.concatenate(columns, axis=1), np.concatenate(weights),
    )  # fmt: skip
    if not (np.isfinite(rows.residual).all() and np.isfinite(rows.slope).all()):
        raise ValueError("there are no states of the target then")
    return rows


def _constants(rows: _Rows, weight: FloatArray) -> FloatArray:
    """The series' own unknowns that fit best with the offset held."""
    left = rows.own * weight[:, None]
    normal = left.T @ rows.own + np.diag(rows.own_weight**2)
    solved, *_ = np.linalg.lstsq(normal, left.T @ rows.residual, rcond=None)
    return np.asarray(solved, dtype=np.float64)


def _scale(residual: FloatArray) -> float:
    """A robust standard deviation: the median's."""
    return max(_MAD * float(np.median(np.abs(residual - np.median(residual)))), 1e-12)


def _huber(residual: FloatArray, scale: float) -> FloatArray:
    far = np.maximum(np.abs(residual) / scale, 1e-12)
    return np.asarray(np.minimum(1.0, HUBER / far), dtype=np.float64)


def _robust_cost(
    series: Sequence[Measured], noise: Sequence[float], offset_s: float
) -> tuple[float, FloatArray]:
    """Mean absolute residual (in noise) once constants are fitted robustly, and the residuals."""
    rows = _system(series, noise, offset_s)
    weight = np.ones_like(rows.residual)
    left = rows.residual
    for _ in range(5):
        left = rows.residual - rows.own @ _constants(rows, weight)
        weight = _huber(left, _scale(left))
    return float(np.mean(np.abs(left))), left


def noise_of(each: Measured, prior_sigma_s: float, centre_s: float = 0.0) -> float:
    """The series' noise as stated, or as its best fit leaves it, but no less than is believed."""
    if each.noise is not None:
        return max(each.noise, each.least_noise)
    start = _nearest_start([each], [1.0], prior_sigma_s, centre_s)
    first = _scale(_robust_cost([each], [1.0], start)[1])
    residual = _iterate([each], [first], start, prior_sigma_s, centre_s)[-1]
    return max(_scale(residual) * first, each.least_noise)


def _nearest_start(
    series: Sequence[Measured], noise: Sequence[float], prior_sigma_s: float, centre_s: float
) -> float:
    def cost(offset: float) -> float:
        return _robust_cost(series, noise, offset)[0]

    reach = 3.0 * prior_sigma_s
    starts = centre_s + np.linspace(-reach, reach, _STARTS)
    return min(map(float, starts), key=cost)


def _iterate(
    series: Sequence[Measured],
    noise: Sequence[float],
    start: float,
    prior_sigma_s: float,
    centre_s: float,
) -> tuple[float, FloatArray, BoolArray, float, FloatArray]:
    """Gauss-Newton: the offset, weights, what is kept, its deviation, residuals (in noise)."""
    offset = start
    rows = _system(series, noise, offset)
    _, left = _robust_cost(series, noise, offset)
    scale = _scale(left)
    weight, keep = _huber(left, scale), np.abs(left) <= DROPPED_BEYOND * scale
    sigma = prior_sigma_s
    for _ in range(_ROUNDS):
        full = np.concatenate([rows.slope[:, None], rows.own], axis=1)
        counted = np.where(keep, weight, 0.0)
        normal = full.T @ (full * counted[:, None])
        normal += np.diag(np.concatenate([[prior_sigma_s**-2], rows.own_weight**2]))
        right = full.T @ (rows.residual * counted)
        right[0] += (centre_s - offset) / prior_sigma_s**2
        inverse = np.linalg.pinv(normal)
        step = inverse @ right
        moved = float(np.clip(step[0], -prior_sigma_s, prior_sigma_s))
        offset += moved
        sigma = math.sqrt(max(float(inverse[0, 0]), 0.0))
        rows = _system(series, noise, offset)
        left = rows.residual - rows.own @ _constants(rows, np.where(keep, weight, 0.0))
        scale = _scale(left[keep]) if keep.sum() > LEAST_ON_A_SIDE else _scale(left)
        weight, keep = _huber(left, scale), np.abs(left) <= DROPPED_BEYOND * scale
        if abs(moved) < 1e-6:
            break
    return offset, weight, keep, sigma, left


def _problems(
    made: Estimate,
    series: Sequence[Measured],
    noise: Sequence[float],
    keep: BoolArray,
    prior_sigma_s: float,
    centre_s: float,
) -> tuple[str, ...]:
    found: list[str] = []
    if made.used < LEAST_USED:
        found.append(f"{made.used} values used, {LEAST_USED} needed")
    if made.used < LEAST_SHARE * made.given:
        found.append(f"{made.given - made.used} of {made.given} values are outliers")
    if made.rms >= LARGEST_RMS:
        found.append(f"residuals of {made.rms:.1f} times the noise")
    receding = np.concatenate([each.recedes(made.offset_s) for each in series])[keep]
    if min(int(receding.sum()), int((~receding).sum())) < LEAST_ON_A_SIDE:
        found.append("measured on one side of the closest approach only")
    if made.sigma_s >= LARGEST_SIGMA_S:
        found.append(f"the offset is known to {made.sigma_s:.1f} s only")
    if abs(made.offset_s - centre_s) > _95 * prior_sigma_s:
        found.append(
            f"an offset of {made.offset_s:.1f} s, beyond the orbit error's "
            f"{_95 * prior_sigma_s:.1f} s"
        )
    for each, sigma in zip(series, noise, strict=True):
        if sigma > each.largest_noise:
            found.append(f"{each.kind}: scatter as of another target or station")
    return tuple(found)
