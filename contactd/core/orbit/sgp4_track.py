"""A track from SGP4 mean elements.

The propagator is the ``sgp4`` package (AIAA 2006-6753, WGS 72, improved mode), which is the
authority for what an element set means. Time since epoch is counted in continuous SI seconds: a
leap second between the epoch and an instant does not set the satellite back by a second.
"""

from __future__ import annotations

import math
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from sgp4.api import SGP4_ERRORS, WGS72, Satrec

from contactd.core.errors import PropagationError
from contactd.core.instants import DAY_S, EPOCH_JULIAN_DAY, tai_minus_utc_s
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.elements import ElementSet

FloatArray = NDArray[np.float64]

_MINUTES_PER_DAY = 1440.0
_TURN = 2.0 * math.pi
_DAYS_1950 = 2_433_281.5  # Julian date that SGP4 counts its epoch from
_EARTH_RADIUS_KM = 6378.135
_MU_KM3_S2 = 398_600.8
_EARTH_RATE_RAD_S = 7.292115e-5
_WATCHED_DAYS = 60  # how far from the epoch `validity` looks for a decay
_MOST_LOOKS = 2_000
_MOST_BOUNDS = 16  # whose answers are kept


class Sgp4Track:
    """The motion that an element set stands for, by SGP4 or SDP4.

    Args:
        elements: mean elements.
        name: the target's name; the element set's own by default.

    An element set that SGP4 refuses, or that decays, raises nothing: its states are NaN where
    there are none, and :attr:`problem` says why.
    """

    def __init__(self, elements: ElementSet, name: str | None = None) -> None:
        self.elements = elements
        self._name = elements.name if name is None else name
        self._satellite = _initialised(elements)
        self._looked: dict[float, tuple[float, int]] = {}

    def __reduce__(self) -> tuple[type[Sgp4Track], tuple[ElementSet, str]]:
        return type(self), (self.elements, self._name)

    @property
    def name(self) -> str:
        """The target's name."""
        return self._name

    @property
    def is_deep_space(self) -> bool:
        """Whether SDP4 applies (period of 225 minutes or more)."""
        return bool(self._satellite.method == "d")

    @cached_property
    def fastest_rate_rad_s(self) -> float:
        """Upper bound of the angular rate about the Earth's centre, in rad/s.

        The rate at the perigee of the mean ellipse, with 3 % for periodic terms and decay; never
        less than the Earth's own rate, which moves the stations.
        """
        eccentricity = min(max(self.elements.eccentricity, 0.0), 0.99)
        mean_rate = self.elements.mean_motion_rev_per_day * _TURN / DAY_S
        at_perigee = (
            mean_rate
            * math.sqrt((1.0 + eccentricity) * (1.0 - eccentricity))
            / ((1.0 - eccentricity) ** 2)
        )
        # Nothing in orbit outruns a grazing parabola.
        fastest = math.sqrt(2.0 * _MU_KM3_S2 / _EARTH_RADIUS_KM**3)
        return max(min(1.03 * at_perigee, fastest), _EARTH_RATE_RAD_S)

    @cached_property
    def validity(self) -> IntervalSet:
        """Instants (s) at which states can be had.

        A decay or other failure is looked for within 60 days of the epoch; farther away
        :meth:`valid_between` looks.
        """
        reach = _WATCHED_DAYS * DAY_S
        first, last = self.elements.epoch - reach, self.elements.epoch + reach
        found = self.valid_between(first, last)
        if not found:
            return found
        low, high = float(found.starts[0]), float(found.ends[-1])
        return IntervalSet([low if low > first else -math.inf], [high if high < last else math.inf])

    @cached_property
    def problem(self) -> PropagationError | None:
        """Why states end (or never begin) within the watched days, or None."""
        return self.problem_between(self.elements.epoch, self.elements.epoch + 60 * DAY_S)

    def states(self, instants: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (km) and velocities (km/s), each ``[n, 3]``, in TEME of date.

        Args:
            instants: shape ``[n]`` (s).

        Rows for which SGP4 reports an error are NaN.
        """
        error, position, velocity = self._propagated(instants)
        if error.any():
            position[error != 0] = np.nan
            velocity[error != 0] = np.nan
        return position, velocity

    def valid_between(self, start: float, end: float) -> IntervalSet:
        """The part of ``[start, end)`` before the first failure after the epoch (and after the
        last one before it).

        Once SGP4 has failed, what it says later (or earlier, before the epoch) counts for nothing,
        even where it returns numbers again.
        """
        low = start if start >= self.elements.epoch else self._failure(start)[0]
        high = end if end <= self.elements.epoch else self._failure(end)[0]
        if math.isnan(low) or math.isnan(high):
            return IntervalSet()
        return IntervalSet([max(start, low)], [min(end, high)])

    def problem_between(self, start: float, end: float) -> PropagationError | None:
        """Why states cannot be had in all of ``[start, end)``, or None."""
        for bound in (end, start):
            reached, code = self._failure(bound)
            if code and not math.isnan(reached):
                later = bound > self.elements.epoch
                if (later and reached < end) or (not later and reached > start):
                    return PropagationError(self._name, _reason(code, later), reached)
            elif code:
                return PropagationError(self._name, _reason(code, True), self.elements.epoch)
        return None

    def _propagated(self, instants: FloatArray) -> tuple[NDArray[np.uint8], FloatArray, FloatArray]:
        days = (np.asarray(instants, dtype=np.float64) - self.elements.epoch) / DAY_S
        whole = np.floor(days)
        error, position, velocity = self._satellite.sgp4_array(
            self._satellite.jdsatepoch + whole, self._satellite.jdsatepochF + (days - whole)
        )
        return error, position, velocity

    def _failure(self, bound: float) -> tuple[float, int]:
        """How far from the epoch towards ``bound`` states can be had, and the error code there.

        Returns ``(bound, 0)`` without a failure, and ``(nan, code)`` if there are no states even
        at the epoch.
        """
        known = self._looked.get(bound)
        if known is None:
            known = self._look_for_failure(bound)
            if len(self._looked) >= _MOST_BOUNDS:
                self._looked = {}
            self._looked[bound] = known
        return known

    def _look_for_failure(self, bound: float) -> tuple[float, int]:
        epoch = self.elements.epoch
        instants = np.concatenate([[epoch], self._perigees(bound), [bound]])
        error, _, _ = self._propagated(instants)
        bad = np.flatnonzero(error)
        if not len(bad):
            return bound, 0
        first = int(bad[0])
        if first == 0:
            return math.nan, int(error[0])
        good, failed = float(instants[first - 1]), float(instants[first])
        # Between two looks the first failure may hide at another perigee: look once a tenth of a
        # revolution, then halve.
        looks = np.linspace(good, failed, 2 + min(int(abs(failed - good) / self._tenth_s), 4000))
        error, _, _ = self._propagated(looks)
        hit = int(np.flatnonzero(error)[0])
        good, failed, code = float(looks[hit - 1]), float(looks[hit]), int(error[hit])
        while abs(failed - good) > 1e-3:
            middle = 0.5 * (good + failed)
            error, _, _ = self._propagated(np.array([middle]))
            if error[0]:
                failed, code = middle, int(error[0])
            else:
                good = middle
        return good, code

    @property
    def _tenth_s(self) -> float:
        return DAY_S / max(self.elements.mean_motion_rev_per_day, 1e-3) / 10.0

    def _perigees(self, bound: float) -> FloatArray:
        """About one perigee a day from the epoch towards ``bound``: where SGP4 fails first."""
        rate = self._satellite.mdot / 60.0
        if not math.isfinite(rate) or rate <= 0.0:
            return np.zeros(0)
        days = (bound - self.elements.epoch) / DAY_S
        count = min(int(abs(days)), _MOST_LOOKS)
        if not count:
            return np.zeros(0)
        wished = np.arange(1, count + 1) * (days / (count + 1)) * DAY_S
        phase = math.radians(self.elements.mean_anomaly_deg)
        turns = np.round((wished * rate + phase) / _TURN)
        perigees = (turns * _TURN - phase) / rate + self.elements.epoch
        low, high = sorted((self.elements.epoch, bound))
        return np.asarray(perigees[(perigees > low) & (perigees < high)], dtype=np.float64)


def _initialised(elements: ElementSet) -> Satrec:
    utc_s = elements.epoch - float(tai_minus_utc_s(elements.epoch))
    days = utc_s / DAY_S + (EPOCH_JULIAN_DAY - _DAYS_1950)
    satellite = Satrec()
    satellite.sgp4init(
        WGS72,
        "i",
        0,
        days,
        elements.bstar_per_earth_radius,
        0.0,
        0.0,
        elements.eccentricity,
        math.radians(elements.argument_of_perigee_deg),
        math.radians(elements.inclination_deg),
        math.radians(elements.mean_anomaly_deg),
        elements.mean_motion_rev_per_day / (_MINUTES_PER_DAY / _TURN),
        math.radians(elements.raan_deg),
    )
    return satellite


def _reason(code: int, later: bool) -> str:
    if code == 6:
        return "has decayed" if later else "would be below the ground before its elements' epoch"
    return f"SGP4 cannot go on: {SGP4_ERRORS.get(code, f'error {code}')}"
