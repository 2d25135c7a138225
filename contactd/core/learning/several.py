"""What several contacts teach: offset and drift at the last of them, and how fast that ages.

With d(t) = b + r·tau + a·tau²/2 (tau: days from the elements' epoch) and bounds on b, r and a:
measured offsets enter by least squares with those bounds as a prior, receptions as strips. What
follows the last contact is open again: the bound of a is never tightened, and of a single contact
neither is that of r.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.instants import DAY_S
from contactd.core.learning.receptions import Growth, Strips

FloatArray = NDArray[np.float64]

CONTRADICTS_BEYOND: Final = 4.0
"""A measured offset so many deviations from what all before it say contradicts them."""
_95: Final = 1.96
_ONE_CONTACT_S: Final = 2_400.0
"""Offsets so near to each other are of one contact: they say nothing of a drift."""


@dataclass(frozen=True, slots=True)
class Offset:
    """A measured along-track offset: instant (s), seconds, standard deviation (s), its record."""

    at: float
    offset_s: float
    sigma_s: float
    record: int = 0


@dataclass(frozen=True, slots=True)
class Learned:
    """The offset at one instant, its drift, and their 95 % bounds.

    Attributes:
        at: instant (s) of the last contact.
        offset_s, drift_s_per_day: at that instant; positive: early, and more so.
        bound_s, drift_bound_s_per_day, per_day2_s: what the bound is made of, b + r·t + a·t²/2 in
            days from ``at``, before and after.
        contacts: how many counted.
        contradictions: numbers of records left out because they contradict those before them.
        manoeuvre_suspected: whether the last ones all do.
    """

    at: float
    offset_s: float
    drift_s_per_day: float
    bound_s: float
    drift_bound_s_per_day: float
    per_day2_s: float
    contacts: int
    contradictions: tuple[int, ...] = ()
    manoeuvre_suspected: bool = False

    def offset_at(self, instant: float) -> float:
        """The offset (s) expected at an instant (s)."""
        return self.offset_s + self.drift_s_per_day * (instant - self.at) / DAY_S

    def bound_at(self, instant: float) -> float:
        """Its 95 % bound (s)."""
        days = abs(instant - self.at) / DAY_S
        return (
            self.bound_s + self.drift_bound_s_per_day * days + self.per_day2_s * days * days / 2.0
        )


def learn_motion(
    epoch: float, growth: Growth, offsets: Iterable[Offset], strips: Strips | None = None
) -> Learned | None:
    """What contacts say of the motion; None if nothing can be used.

    Args:
        epoch: instant (s) from which the growth counts.
        growth: bounds (95 %) of b, r and a before any contact.
        strips: of receptions, of the same growth.
    """
    kept, contradicting = _consistent(epoch, growth, sorted(offsets, key=lambda each: each.at))
    narrowed = strips.narrowing() if strips is not None else Strips((), growth)
    left_out = [] if strips is None else [e for e in strips.strips if e not in narrowed.strips]
    moments = [each.at for each in kept] + [each.reception.at for each in narrowed.strips]
    if not moments:
        return None
    at = max(moments)
    days = (at - epoch) / DAY_S
    measured = _measured(epoch, growth, kept, at)
    heard = _heard(narrowed, days) if narrowed.strips else None
    (low, high), (slow, fast), disagree = _both(measured, heard)
    later = [each.at for each in contradicting] + [each.reception.at for each in left_out]
    records = [each.record for each in contradicting] + [e.reception.record for e in left_out]
    if disagree:
        # Receptions prove their bounds; what was measured stands beside them, by estimates.
        records += [each.record for each in kept]
    return Learned(
        at=at,
        offset_s=(low + high) / 2,
        drift_s_per_day=(slow + fast) / 2,
        bound_s=(high - low) / 2,
        drift_bound_s_per_day=(fast - slow) / 2,
        per_day2_s=growth.per_day2_s,
        contacts=_contacts(moments),
        contradictions=tuple(sorted(set(records))),
        manoeuvre_suspected=len(later) > 1 and min(later) >= at,
    )


_Bounds = tuple[float, float]


def _consistent(
    epoch: float, growth: Growth, offsets: Sequence[Offset]
) -> tuple[list[Offset], list[Offset]]:
    """Offsets that agree with those before them, and those that do not."""
    kept: list[Offset] = []
    contradicting: list[Offset] = []
    for each in offsets:
        expected, sigma_s = _expected(epoch, growth, kept, each.at)
        spread_s = float(np.hypot(sigma_s, each.sigma_s))
        agrees = abs(each.offset_s - expected) <= CONTRADICTS_BEYOND * spread_s
        (kept if agrees else contradicting).append(each)
    return kept, contradicting


def _expected(
    epoch: float, growth: Growth, offsets: Sequence[Offset], at: float
) -> tuple[float, float]:
    """The offset (s) that others make one expect at an instant (s), and its deviation (s)."""
    if not offsets:
        sigma_s = growth.at((at - epoch) / DAY_S) / _95
        return 0.0, sigma_s
    last = offsets[-1].at
    (low, high), (slow, fast) = _measured(epoch, growth, offsets, last) or ((0, 0), (0, 0))
    days = (at - last) / DAY_S
    middle = (low + high) / 2 + (slow + fast) / 2 * days
    bound = (high - low) / 2 + (fast - slow) / 2 * abs(days) + growth.per_day2_s * days**2 / 2
    return middle, bound / _95


def _measured(
    epoch: float, growth: Growth, offsets: Sequence[Offset], at: float
) -> tuple[_Bounds, _Bounds] | None:
    """95 % bounds of the offset (s) and the drift (s/day) at an instant (s), or None."""
    if not offsets:
        return None
    days = np.array([(each.at - epoch) / DAY_S for each in offsets])
    rows = np.stack([np.ones_like(days), days, days**2 / 2], axis=-1)
    weight = np.array([each.sigma_s**-2 for each in offsets])
    values = np.array([each.offset_s for each in offsets])
    bounds = np.array([growth.at_epoch_s, growth.per_day_s, growth.per_day2_s])
    prior = np.diag((np.maximum(bounds, 1e-6) / _95) ** -2.0)
    covariance = np.linalg.inv(rows.T @ (rows * weight[:, None]) + prior)
    found = covariance @ (rows.T @ (weight * values))
    tau = (at - epoch) / DAY_S
    to_then = np.array([[1.0, tau, tau**2 / 2], [0.0, 1.0, tau]])
    offset_s, drift = to_then @ found
    spread = _95 * np.sqrt(np.diag(to_then @ covariance @ to_then.T))
    drift_bound = float(spread[1])
    if _contacts([each.at for each in offsets]) == 1:
        drift, drift_bound = 0.0, growth.per_day_s + growth.per_day2_s * abs(tau)
    bound_s = float(spread[0])
    return (
        (float(offset_s) - bound_s, float(offset_s) + bound_s),
        (float(drift) - drift_bound, float(drift) + drift_bound),
    )


def _heard(strips: Strips, days: float) -> tuple[_Bounds, _Bounds]:
    offset, drift = strips.bounds_at(days), strips.drift_at(days)
    assert offset is not None
    assert drift is not None
    return offset, drift


def _both(
    measured: tuple[_Bounds, _Bounds] | None, heard: tuple[_Bounds, _Bounds] | None
) -> tuple[_Bounds, _Bounds, bool]:
    """Bounds of offset and drift from both kinds, and whether the two disagree."""
    if heard is None:
        assert measured is not None
        return *measured, False
    if measured is None:
        return *heard, False
    (low, high), drift = _meet(measured[0], heard[0]), _meet(measured[1], heard[1])
    if low > high:
        return *heard, True
    return (low, high), drift if drift[0] <= drift[1] else heard[1], False


def _meet(one: _Bounds, other: _Bounds) -> _Bounds:
    return max(one[0], other[0]), min(one[1], other[1])


def _contacts(moments: Sequence[float]) -> int:
    """How many contacts instants (s) belong to."""
    ordered = sorted(moments)
    gaps = np.diff(ordered) > _ONE_CONTACT_S if len(ordered) > 1 else np.array([])
    return 1 + int(np.sum(gaps))
