"""Onboard clocks: how long a countdown really lasts.

A countdown of D seconds lasts D · r seconds, r = 1 / (1 + rate). The rate is a constant within
bounds for each unit. Where it also follows the temperature aboard, every unit's clock runs by
(1 + constant rate) · (1 + rate of the temperature); the second factor is the same for all, so all
reasoning is done on a time scale in which that factor is one (:class:`ClockScale`), and only the
answers are brought back to SI seconds.

Source: 1 ppm is 0.0864 s a day, by definition.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contactd.core.sequences.curves import Curve
from contactd.core.sequences.model import Clock, TemperatureRate

FloatArray = NDArray[np.float64]
PPM = 1e-6


@dataclass(frozen=True, slots=True)
class ClockScale:
    """A time scale that runs as the temperature makes the clocks run.

    Attributes:
        knots: instants (s), ascending, shape ``[n]``; empty where there is no such dependence.
        rates_ppm: rate at the knots, shape ``[n]``; straight lines between, constant beyond.
        gained_s: seconds gained on SI time since the first knot, shape ``[n]``.
        wander: bound of the relative departure of the true rate from this, both ways.
        stretch: greatest seconds of this scale in one SI second.
    """

    knots: FloatArray
    rates_ppm: FloatArray
    gained_s: FloatArray
    wander: float = 0.0
    stretch: float = 1.0

    @classmethod
    def of(cls, dependence: TemperatureRate | None) -> ClockScale:
        """The scale of a temperature dependence; SI time itself for None."""
        if dependence is None:
            nothing = np.empty(0)
            return cls(nothing, nothing, nothing)
        warm = np.array(dependence.table, dtype=np.float64)
        course = np.array(dependence.profile, dtype=np.float64)
        knots = _with_table_crossings(course[:, 0], course[:, 1], warm[:, 0])
        temperatures = np.interp(knots, course[:, 0], course[:, 1])
        rates = np.interp(temperatures, warm[:, 0], warm[:, 1])
        gains = PPM * np.diff(knots) * (rates[1:] + rates[:-1]) / 2
        low, high = temperatures.min(), temperatures.max()
        wander = PPM * dependence.error_c * _steepest(warm, low, high, dependence.error_c)
        stretch = 1 + PPM * float(np.abs(rates).max()) + wander
        return cls(knots, rates, np.concatenate([[0.0], np.cumsum(gains)]), wander, stretch)

    def gained(self, instants: FloatArray) -> FloatArray:
        """Seconds gained on SI time, same shape as the instants."""
        if not len(self.knots):
            return np.zeros_like(instants)
        index = np.clip(np.searchsorted(self.knots, instants) - 1, 0, len(self.knots) - 1)
        into = instants - self.knots[index]
        rates = np.interp(instants, self.knots, self.rates_ppm)
        gain = self.gained_s[index] + PPM * into * (self.rates_ppm[index] + rates) / 2
        return np.asarray(gain, dtype=np.float64)

    def enter(self, instant: float) -> float:
        """The reading of this scale at an instant."""
        if not len(self.knots) or not np.isfinite(instant):
            return instant
        return instant + float(self.gained(np.array([instant]))[0])

    def leave(self, reading: float) -> float:
        """The instant at which this scale reads so much."""
        if not len(self.knots) or not np.isfinite(reading):
            return reading
        instant = reading
        for _ in range(12):  # each round gains a factor of the rate, 1e-4 at the most
            closer = reading - float(self.gained(np.array([instant]))[0])
            if closer == instant:
                break
            instant = closer
        return instant


def _with_table_crossings(
    instants: FloatArray, temperatures: FloatArray, table: FloatArray
) -> FloatArray:
    """The profile's knots, and where it crosses a temperature of the table between them."""
    found = [instants]
    for index in range(len(instants) - 1):
        low, high = sorted((temperatures[index], temperatures[index + 1]))
        crossed = table[(table > low) & (table < high)]
        if len(crossed):
            share = (crossed - temperatures[index]) / (
                temperatures[index + 1] - temperatures[index]
            )
            found.append(instants[index] + share * (instants[index + 1] - instants[index]))
    return np.unique(np.concatenate(found))


def _steepest(table: FloatArray, low: float, high: float, error_c: float) -> float:
    """Greatest slope of the table (ppm/°C) within ``error_c`` of the temperatures that occur."""
    if len(table) < 2 or error_c == 0:
        return 0.0
    slopes = np.abs(np.diff(table[:, 1]) / np.diff(table[:, 0]))
    near = (table[:-1, 0] < high + error_c) & (table[1:, 0] > low - error_c)
    return float(slopes[near].max(initial=0.0))


@dataclass(frozen=True, slots=True)
class RateBounds:
    """Bounds of a clock's r = 1 / (1 + rate), as functions of the start (on the clock scale)."""

    low: Curve
    high: Curve
    nominal: float
    sigma: float | None = None
    wander: float = 0.0


ClockBounds = Mapping[str | None, RateBounds]


def lasting(rate_ppm: float) -> float:
    """Seconds that one second of a countdown lasts."""
    return 1.0 / (1.0 + PPM * rate_ppm)


def rate_limits(clock: Clock) -> tuple[float, float]:
    """Least and greatest r of a clock, from its description alone."""
    bound = clock.rate_bound_ppm
    return lasting(clock.known_rate_ppm + bound), lasting(clock.known_rate_ppm - bound)
