"""Covariance of a state, as messages carry it.

Source: CCSDS 502.0-B-3, tables 3-3 and 5-4 (lower triangle of position and velocity, in km², km²/s
and km²/s²) and annex F for the frames' names.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from contactd.core.instants import DAY_S
from contactd.core.orbit.assumed_error import Shape, assumed_error
from contactd.core.orbit.orbit_error import OrbitError, Origin

FloatArray = NDArray[np.float64]

SIGMAS: Final = 3.763
"""Radius of the ellipsoid that holds 99.73 % of three normal variables: the root of the quantile
14.16 of the chi-square distribution with three degrees of freedom."""

Matrix = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Covariance:
    """How well a position and a velocity are known at one instant.

    Attributes:
        instant: of the state (s).
        matrix: six rows of six, symmetric, of X, Y, Z (km) and their rates (km/s), in RTN: radial,
            along the track (transverse), cross-track, whatever frame the message used.
    """

    instant: float
    matrix: Matrix


def error_of_covariances(
    covariances: Sequence[Covariance], shape: Shape, epoch: float
) -> OrbitError:
    """The orbit error whose bounds enclose the ellipsoids of 99.73 % of covariances.

    Between and after them the along-track error grows as the first one says: an error dr of the
    radius and dv of the speed along the track change the mean motion by
    dn/n = -3 (dr/r + dv/v), so that the offset grows by as many seconds a second. One covariance
    alone says nothing of the air: that part is what is assumed of the orbit's class.

    Args:
        covariances: at least one, in order of time.
        shape: of the orbit.
        epoch: instant (s) that the error's age counts from.

    Source: Vallado, *Fundamentals of Astrodynamics and Applications*, section 2.4 (energy and
    semi-major axis), for the growth.
    """
    speed_km_s = shape.mean_speed_km_s
    ages_days = np.array([abs(each.instant - epoch) / DAY_S for each in covariances])
    along_s = np.array([SIGMAS * _sigma(each, 1) / speed_km_s for each in covariances])
    across = [SIGMAS * max(_sigma(each, axis) for each in covariances) for axis in (0, 2)]
    usual = assumed_error(replace(shape, days_in_orbit=None))
    at_epoch_s, per_day_s, per_day2_s = float(along_s[0]), 0.0, 0.0
    if len(covariances) == 1:
        per_day_s = _growth_per_day(covariances[0], speed_km_s)
        per_day2_s = usual.per_day2_s
    else:
        # The line from the first that none of the others lies above.
        later = ages_days > ages_days[0]
        rises = (along_s[later] - at_epoch_s) / (ages_days[later] - ages_days[0])
        per_day_s = max(0.0, float(rises.max(initial=0.0)))
        at_epoch_s = float((along_s - per_day_s * ages_days).max(initial=0.0))
    basis = f"{len(covariances)} covariance matrices" if len(covariances) > 1 else "its covariance"
    return OrbitError(
        max(at_epoch_s, 0.0), per_day_s, per_day2_s, across[0], across[1], Origin.COVARIANCE, basis
    ).never_zero()


def _sigma(covariance: Covariance, axis: int) -> float:
    return math.sqrt(max(covariance.matrix[axis][axis], 0.0))


def _growth_per_day(covariance: Covariance, speed_km_s: float) -> float:
    """Bound of how fast the offset grows (s/day), from radius and speed with their correlation."""
    radius_km = 398_600.4418 / speed_km_s**2
    slope = np.zeros(6)
    slope[0], slope[4] = 3.0 / radius_km, 3.0 / speed_km_s
    variance = float(slope @ np.array(covariance.matrix) @ slope)
    return SIGMAS * math.sqrt(max(variance, 0.0)) * DAY_S
