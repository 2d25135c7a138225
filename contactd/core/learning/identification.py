"""Which of several objects is ours: which element set explains what one contact showed.

For each candidate j: S_j = robust chi² of what was measured + d_j² / (sigma² + 0.04), with its best
offset d_j and the deviation sigma of offsets beforehand; p_j is proportional to
exp(-S_j / (2 max(1, m))), with m the mean square of the best one's residuals. An answer needs
p_j > 99 % and m < 2.25; else it is not decided. What is dropped as an outlier counts in S_j as much
as the farthest residual that is not, so that no candidate gains by dropping.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from contactd.core.instants import DAY_S
from contactd.core.learning.measured import Measured
from contactd.core.learning.offset import LEAST_USED, Estimate, estimate_offset, noise_of
from contactd.core.learning.receptions import Growth, Reception, strip_of
from contactd.core.orbit.track import Track

LEAST_PROBABILITY: Final = 0.99
LARGEST_MEAN: Final = 2.25
FARTHEST: Final = 3.0
"""An offset of more deviations than this is not believed of any candidate."""
_FLOOR_SQUARE: Final = 0.04
_NEVER: Final = float("inf")


@dataclass(frozen=True, slots=True)
class Candidate:
    """An object: its track, the epoch (instant, s) of its elements, and how its error grows."""

    name: str
    track: Track
    epoch: float
    growth: Growth


@dataclass(frozen=True, slots=True)
class Fit:
    """How well one candidate explains what was observed.

    Attributes:
        offset_s: its best along-track offset.
        misfit: S; infinite where it cannot be.
        probability: among the candidates.
        prior_sigma_s: deviation of its offset before anything was observed.
        estimate: from what was measured; None where there were receptions only.
        reason: why it cannot be, "" where it can.
    """

    name: str
    offset_s: float
    misfit: float
    probability: float = 0.0
    prior_sigma_s: float = 0.0
    estimate: Estimate | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Identification:
    """The candidates, best first, and which it is; None if it is not decided, with the reason."""

    fits: tuple[Fit, ...]
    answer: str | None
    reason: str = ""


def identify(
    candidates: Sequence[Candidate],
    measured: Sequence[Measured] = (),
    receptions: Sequence[Reception] = (),
) -> Identification:
    """Which of the candidates was observed.

    Args:
        candidates: at least one, with distinct names.
        measured: of one contact; its lines' tracks are put in place of each candidate's.
        receptions: of the same contact.

    Raises:
        ValueError: if nothing was observed.
    """
    if not measured and not receptions:
        raise ValueError("nothing was observed")
    series = [list(_of(each, measured)) for each in candidates]
    if measured:
        noise = [
            min(noise_of(own[n], _sigma(each, own[n].at)) for each, own in zip(
                candidates, series, strict=True))
            for n in range(len(measured))
        ]  # fmt: skip
        series = [
            [replace(each, noise=sigma) for each, sigma in zip(own, noise, strict=True)]
            for own in series
        ]
    fits = [_fit(each, own, receptions) for each, own in zip(candidates, series, strict=True)]
    return _decided(_ranked(fits), bool(measured))


def _of(candidate: Candidate, measured: Sequence[Measured]) -> Sequence[Measured]:
    return [replace(each, line=replace(each.line, track=candidate.track)) for each in measured]


def _sigma(candidate: Candidate, at: np.ndarray) -> float:
    age_days = (float(np.mean(at)) - candidate.epoch) / DAY_S
    return candidate.growth.at(age_days) / 1.96


def _fit(
    candidate: Candidate, measured: Sequence[Measured], receptions: Sequence[Reception]
) -> Fit:
    allowed = (-_NEVER, _NEVER)
    for each in receptions:
        strip = strip_of(candidate.track, candidate.epoch, each, candidate.growth)
        if strip.offsets_s is None:
            reason = f"it was below the horizon of {each.station.name}"
            return Fit(candidate.name, 0.0, _NEVER, reason=reason)
        allowed = max(allowed[0], strip.offsets_s[0]), min(allowed[1], strip.offsets_s[1])
    if allowed[0] > allowed[1]:
        return Fit(candidate.name, 0.0, _NEVER, reason="no one offset explains all receptions")
    if not measured:
        sigma = _sigma(candidate, np.array([each.at for each in receptions]))
        offset = float(np.clip(0.0, *allowed))
        misfit = offset**2 / (sigma**2 + _FLOOR_SQUARE)
        return Fit(candidate.name, offset, misfit, prior_sigma_s=sigma)
    sigma = _sigma(candidate, np.concatenate([each.at for each in measured]))
    try:
        estimate = estimate_offset(measured, sigma)
    except ValueError as problem:
        return Fit(candidate.name, 0.0, _NEVER, reason=str(problem))
    offset = estimate.offset_s
    outside = max(allowed[0] - offset, offset - allowed[1], 0.0)
    misfit = (
        estimate.chi2
        + offset**2 / (sigma**2 + _FLOOR_SQUARE)
        + (outside / max(estimate.bound_s / 1.96, 1e-6)) ** 2
    )
    return Fit(candidate.name, offset, misfit, prior_sigma_s=sigma, estimate=estimate)


def _mean(best: Fit) -> float:
    """Mean square of the best candidate's residuals that counted, its offset among them."""
    if best.estimate is None:
        return 1.0
    used = best.estimate.used
    left_out = best.estimate.chi2 - best.estimate.rms**2 * used
    return (best.misfit - left_out) / max(used, 1)


def _ranked(fits: Sequence[Fit]) -> list[Fit]:
    """Best first, with their probabilities."""
    ordered = sorted(fits, key=lambda each: each.misfit)
    misfit = np.array([each.misfit for each in ordered])
    if not np.isfinite(misfit[0]):
        return ordered
    weight = np.exp(-(misfit - misfit[0]) / (2.0 * max(1.0, _mean(ordered[0]))))
    return [
        replace(each, probability=float(share))
        for each, share in zip(ordered, weight / weight.sum(), strict=True)
    ]


def _decided(ranked: list[Fit], measured: bool) -> Identification:
    best = ranked[0]
    if not np.isfinite(best.misfit):
        return Identification(tuple(ranked), None, "none of them can have been observed")
    if measured and _mean(best) >= LARGEST_MEAN:
        reason = "none of them explains what was measured"
        return Identification(tuple(ranked), None, reason)
    if best.estimate is not None and best.estimate.used < LEAST_USED:
        used = best.estimate.used
        return Identification(tuple(ranked), None, f"{used} values used, {LEAST_USED} needed")
    if abs(best.offset_s) > FARTHEST * best.prior_sigma_s:
        reason = f"even the best is {abs(best.offset_s):.1f} s off, beyond its orbit error"
        return Identification(tuple(ranked), None, reason)
    if best.probability <= LEAST_PROBABILITY:
        share = f"{100 * best.probability:.1f}"
        reason = f"the best has {share} %, and 99 % are needed"
        return Identification(tuple(ranked), None, reason)
    return Identification(tuple(ranked), best.name)
