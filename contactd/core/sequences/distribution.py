"""How an expiry is spread between its bounds.

Along a plain chain the expiry is a sum of independent parts, and its distribution is exact
(:class:`~contactd.core.sequences.probability.Spread`). With readings, joins, several units, or
events aboard it is sampled: start and rates evenly over all that the evidence leaves possible,
delays by their own distributions, at points of a low-discrepancy sequence, so that the answer is
the same each time. A sampled probability is good to about 0.005.

Source of the points: Kronecker's additive recurrence with the roots of x^(d+1) = x + 1 (Roberts,
*The unreasonable effectiveness of quasirandom sequences*, 2018).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.clocks import PPM, ClockScale, lasting, rate_limits
from contactd.core.sequences.equations import chain_of
from contactd.core.sequences.expiry import Expiry, Timeline, delay_of, known_start
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence, Step
from contactd.core.sequences.order import in_order
from contactd.core.sequences.probability import Spread

FloatArray = NDArray[np.float64]

SAMPLES = 32_768
QUANTILES = 4_001
LEAST_LEFT = 1_024
GOLDEN = (math.sqrt(5) - 1) / 2


class Distribution(Protocol):
    """A random instant."""

    def widened(self, half_width_s: float) -> Distribution:
        """The same with one more independent uniform part."""
        ...

    def within(self, instants: IntervalSet) -> float:
        """Probability that it lies in a set."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """A random instant as weighted samples, with one uniform part added exactly.

    Attributes:
        values: instants (s), shape ``[n]``.
        weights: adding up to one, shape ``[n]``.
        half_width_s: half-width of the uniform part.
    """

    values: FloatArray
    weights: FloatArray
    half_width_s: float = 0.0

    def widened(self, half_width_s: float) -> Sampled:
        """The same with one more uniform part; only one can be added."""
        assert self.half_width_s == 0
        return Sampled(self.values, self.weights, half_width_s)

    def within(self, instants: IntervalSet) -> float:
        """Probability that it lies in a set."""
        if self.half_width_s == 0:
            return float(self.weights[instants.holds(self.values)].sum())
        reach = 2 * self.half_width_s + 1.0
        near = instants.clip(self.values.min() - reach, self.values.max() + reach)
        low = _measure(near, self.values - self.half_width_s)
        high = _measure(near, self.values + self.half_width_s)
        share = (high - low) / (2 * self.half_width_s)
        return min(max(float(share @ self.weights), 0.0), 1.0)


def _measure(instants: IntervalSet, until: FloatArray) -> FloatArray:
    """Seconds of a bounded set before each instant."""
    if not instants:
        return np.zeros_like(until)
    edges = np.column_stack([instants.starts, instants.ends]).ravel()
    steps = np.diff(edges) * (np.arange(len(edges) - 1) % 2 == 0)
    total = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(np.interp(until, edges, total), dtype=np.float64)


class Spreads:
    """The distributions of all steps' expiries, from one state of knowledge."""

    def __init__(self, sequence: Sequence, knowledge: SequenceKnowledge, line: Timeline) -> None:
        self.sequence = sequence
        self.knowledge = knowledge
        self.line = line
        self.sampled: dict[str, Sampled] | None = None

    def of(self, step: Step, expiry: Expiry) -> Distribution:
        """The distribution of a step's expiry."""
        chain = chain_of(self.sequence, step)
        known = self.knowledge
        disturbed = known.readings or known.holds or known.power_losses or known.seen
        settled = chain is not None and all(delay_of(each, known) is not None for each in chain)
        if chain is not None and settled and not disturbed:
            return self._sum_of_parts(chain, expiry)
        if self.sampled is None:
            self.sampled = self._sample()
        found = self.sampled.get(step.name)
        first = self.line.expiries[step.name]
        if found is None or first is None:
            half = (expiry.latest - expiry.earliest) / 2
            return Spread(expiry.earliest + half, (half,))
        # A later act of a step that repeats lies later by as much as its bounds do.
        later = (expiry.earliest + expiry.latest - first.earliest - first.latest) / 2
        return Sampled(found.values + later, found.weights)

    def _sum_of_parts(self, chain: list[Step], expiry: Expiry) -> Spread:
        start = self.line.start
        assert start.earliest is not None
        assert start.latest is not None
        delays: dict[str | None, float] = {}
        widths: list[float] = []
        sigmas: list[float] = []
        for each in chain:
            delay = delay_of(each, self.knowledge)
            assert delay is not None
            unit = each.unit_names[0]
            delays[unit] = delays.get(unit, 0.0) + delay
            if each.delay.error_sigma_s is None:
                widths.append(each.delay.error_bound_s)
            else:
                sigmas.append(each.delay.error_sigma_s)
        for unit, total in delays.items():
            clock = self.sequence.clock_of(unit)
            low, high = rate_limits(clock)
            if clock.rate_sigma_ppm is None:
                widths.append(total * (high - low) / 2)
            else:
                sigmas.append(total * clock.rate_sigma_ppm * PPM)
        if start.sigma_s is None:
            widths.append((start.latest - start.earliest) / 2)
        else:
            sigmas.append(start.sigma_s)
        return Spread((expiry.earliest + expiry.latest) / 2, tuple(widths), tuple(sigmas))

    def _sample(self) -> dict[str, Sampled]:
        """Every step's expiry at the sample points; without those that have none."""
        found = self.line.estimate
        if found is None:
            return {}
        scale = ClockScale.of(self.sequence.clock.temperature)
        units = sorted({unit for step in self.sequence.steps for unit in step.unit_names}, key=str)
        steps = [s for s in in_order(self.sequence) if self.line.expiries[s.name] is not None]
        parts = [(step, unit) for step in steps for unit in step.unit_names]
        points = _points(2 + len(units) + len(parts))
        low, _, high = found.start
        starts = low + (high - low) * points[:, 0]
        weights = self._start_weights(starts, scale)
        lasts: dict[str | None, FloatArray] = {}
        for column, unit in enumerate(units, start=1):
            least, most = found.rates[unit].low.at(starts), found.rates[unit].high.at(starts)
            lasts[unit] = least + (most - least) * points[:, column]
            # Evenly over the polygon: a start counts as much as it leaves room for the rate.
            room = most - least
            weights = weights * (room if room.max() > 0 else 1.0)
            weights = weights * self._rate_weights(unit, lasts[unit])
        free = 1 + len(units)
        errors = {part: points[:, free + index] for index, part in enumerate(parts)}
        spare = points[:, -1]
        values = self._run(steps, starts, lasts, errors, spare, scale)
        total = weights.sum()
        weights = np.full(SAMPLES, 1 / SAMPLES) if not total > 0 else weights / total
        return {name: Sampled(each, weights) for name, each in values.items()}

    def _start_weights(self, starts: FloatArray, scale: ClockScale) -> FloatArray:
        start = self.line.start
        middle = known_start(self.sequence, self.knowledge).middle
        if start.sigma_s is None or middle is None:
            return np.ones(len(starts))
        off = (starts - scale.enter(middle)) / start.sigma_s
        return np.asarray(np.exp(-(off**2) / 2), dtype=np.float64)

    def _rate_weights(self, unit: str | None, lasts: FloatArray) -> FloatArray:
        clock = self.sequence.clock_of(unit)
        if clock.rate_sigma_ppm is None:
            return np.ones(len(lasts))
        off = (lasts - lasting(clock.known_rate_ppm)) / (PPM * clock.rate_sigma_ppm)
        return np.asarray(np.exp(-(off**2) / 2), dtype=np.float64)

    def _run(
        self,
        steps: list[Step],
        starts: FloatArray,
        lasts: dict[str | None, FloatArray],
        errors: dict[tuple[Step, str | None], FloatArray],
        spare: FloatArray,
        scale: ClockScale,
    ) -> dict[str, FloatArray]:
        """Instants of every step's expiry at the sample points."""
        inside: dict[str, FloatArray] = {}
        found: dict[str, FloatArray] = {}
        for index, step in enumerate(steps):
            delay = delay_of(step, self.knowledge)
            if delay is None:  # not known: spread evenly below, over all that is possible
                delay = math.inf
            before = [inside[name] for name in step.after] or [starts]
            pick = np.maximum if step.join == "later" else np.minimum
            origin = pick.reduce(before)
            ends = [
                origin + delay * lasts[unit] + _error(step, errors[step, unit])
                for unit in step.unit_names
            ]
            act = np.minimum if step.units_act == "first" else np.maximum
            raw = act.reduce(ends)
            expiry = self.line.expiries[step.name]
            assert expiry is not None
            low, high = scale.enter(expiry.earliest), scale.enter(expiry.latest)
            # What evidence or events have moved outside is spread evenly over what is possible.
            outside = (raw < low) | (raw > high)
            if outside.sum() > len(raw) - LEAST_LEFT:
                outside[:] = True
            free = (spare + index * GOLDEN) % 1.0
            raw = np.where(outside, low + (high - low) * free, raw)
            inside[step.name] = raw
            share = (raw - low) / (high - low) if high > low else np.zeros(len(raw))
            found[step.name] = expiry.earliest + (expiry.latest - expiry.earliest) * share
        return found


def _error(step: Step, points: FloatArray) -> FloatArray:
    """Errors of a delay at points from 0 to 1: uniform within its bound, or normal."""
    sigma = step.delay.error_sigma_s
    if sigma is None:
        return np.asarray(step.delay.error_bound_s * (2 * points - 1), dtype=np.float64)
    from statistics import NormalDist

    shares = (np.arange(QUANTILES) + 0.5) / QUANTILES
    quantiles = [NormalDist().inv_cdf(share) for share in shares.tolist()]
    return np.asarray(sigma * np.interp(points, shares, quantiles), dtype=np.float64)


@lru_cache(maxsize=8)
def _points(dimensions: int) -> FloatArray:
    """Points spread evenly over the unit cube, shape ``[SAMPLES, dimensions]``."""
    root = 2.0
    for _ in range(64):
        root = (1 + root) ** (1 / (dimensions + 1))
    steps = np.array([math.fmod(root ** -(k + 1), 1.0) for k in range(dimensions)])
    return np.asarray((0.5 + np.outer(np.arange(1, SAMPLES + 1), steps)) % 1.0, dtype=np.float64)
