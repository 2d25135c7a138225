"""Why a few crossings of deep-space objects stay wrong after one exact step, and what cures it.

SDP4's printed velocity leaves out the rates of the lunar and solar terms: it is not the slope of
its own position, by 1 to 2 m/s. That enters twice. Used for the polynomials it bends them, so that
the first guess of a crossing is off by up to tenths of a second. Used as Newton's slope it turns a
step of ``d`` into one of ``d × (1 + e)``, where ``e`` grows as the crossing gets shallower: 1 m/s
is little beside 3 km/s of climb, and much beside a few metres. One step therefore leaves
``guess × e + guess² × bend / (2 × slope)``.

The cure is cheap: polynomials whose velocity is the slope of the position (which makes the guesses
good), and a second step wherever the first moved by more than a millisecond.
"""

from __future__ import annotations

import numpy as np
from workloads import Workload, medium

from contactd.core.contacts import motion as motions
from contactd.core.contacts.horizon import Horizon, horizon_of
from contactd.core.contacts.motion import Motion, follow
from contactd.core.contacts.search import find_spans
from contactd.core.orbit.sgp4_track import Sgp4Track


def as_printed(track: Sgp4Track, start: float, end: float) -> Motion:
    """The motion with SDP4's printed velocities at its nodes."""
    mended = motions._node_states
    motions._node_states = lambda what, instants: what.states(instants)
    try:
        return follow(track, start, end)
    finally:
        motions._node_states = mended


def one_step(motion: Motion, horizon: Horizon, truth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Errors (s) of the polynomials' crossings, and of one exact Newton step from there."""
    at = truth.copy()
    for _ in range(8):
        value, rate = horizon.clearance(*motion.states(at))
        at = np.clip(at - value / rate, truth - 20.0, truth + 20.0)
    value, rate = horizon.clearance(*motion.exact_states(at))
    return at - truth, at - value / rate - truth


def slope_errors(motion: Motion, horizon: Horizon, truth: np.ndarray) -> np.ndarray:
    """By what share the printed velocity's slope differs from the slope that there is."""
    half = 0.5
    _, rate = horizon.clearance(*motion.exact_states(truth))
    after, _ = horizon.clearance(*motion.exact_states(truth + half))
    before, _ = horizon.clearance(*motion.exact_states(truth - half))
    return rate / ((after - before) / (2.0 * half)) - 1.0


def measured(work: Workload) -> dict[str, dict[str, np.ndarray]]:
    """Guess, step and slope errors of every crossing of deep-space objects, by kind of motion."""
    found: dict[str, dict[str, list[np.ndarray]]] = {
        name: {"guess": [], "step": [], "slope": []} for name in ("as printed", "as it moves")
    }
    for elements in work.elements:
        track = Sgp4Track(elements)
        if not track.is_deep_space:
            continue
        paths = {
            "as printed": as_printed(track, work.start, work.end),
            "as it moves": follow(track, work.start, work.end),
        }
        for station in work.stations:
            horizon = horizon_of(station)
            spans = find_spans(paths["as it moves"], horizon)
            truth = np.concatenate(
                [spans.starts[~spans.cut_at_start], spans.ends[~spans.cut_at_end]]
            )
            if not len(truth):
                continue
            slope = slope_errors(paths["as it moves"], horizon, truth)
            for name, path in paths.items():
                guess, step = one_step(path, horizon, truth)
                for key, value in (("guess", guess), ("step", step), ("slope", slope)):
                    found[name][key].append(value)
    return {
        name: {key: np.concatenate(parts) for key, parts in columns.items()}
        for name, columns in found.items()
    }


def report() -> str:
    """The measurement as a table."""
    lines = [
        "| velocities at the nodes | crossings | guess worst | beyond 10 ms | after one exact step "
        "worst | slope error worst |",
        "|---|---|---|---|---|---|",
    ]
    for name, columns in measured(medium()).items():
        guess, step, slope = (np.abs(columns[key]) for key in ("guess", "step", "slope"))
        lines.append(
            f"| {name} | {len(guess)} | {guess.max() * 1e3:.0f} ms | {(guess > 0.01).sum()} "
            f"| {step.max() * 1e3:.2g} ms | {slope.max() * 100:.2g} % |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    print(report())
