"""Start and clock from readings: the polygon, least squares, and readings that contradict."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from contactd.core.instants import DAY_S
from contactd.core.sequences.clocks import ClockScale
from contactd.core.sequences.expiry import Timeline, timeline
from contactd.core.sequences.known import Reading, Seen, SequenceKnowledge
from contactd.core.sequences.model import (
    Clock,
    Delay,
    Sequence,
    Start,
    StartStatus,
    Step,
    TimerUnit,
)
from contactd.core.sequences.readings import Estimate, estimate

DELAY_S = 100_000.0
SI = ClockScale.of(None)


def sequence(**changes: object) -> Sequence:
    given = {
        "target": "Lantern 3",
        "name": "wake-up",
        "steps": (Step("receiver on", Delay(fixed_s=DELAY_S)),),
        "start": Start(StartStatus.OBSERVED, 0.0, 50.0, 100.0),
        "clock": Clock(rate_error_ppm=100.0),
    }
    return Sequence(**(given | changes))  # type: ignore[arg-type]


def remaining(record: int, at: float, left: float, error: float, at_error: float = 0.0) -> Reading:
    return Reading("receiver on", at, left, None, error, at_error, None, record)


def found(readings: tuple[Reading, ...], of: Sequence | None = None) -> Estimate:
    here = of or sequence()
    return estimate(here, SequenceKnowledge(readings=readings), here.start, SI)


def expiry(readings: tuple[Reading, ...], of: Sequence | None = None) -> Timeline:
    return timeline(of or sequence(), SequenceKnowledge(readings=readings))


def test_one_part_in_a_million_is_0_0864_seconds_a_day() -> None:
    # By definition; the figure of oscillator handbooks.
    day = sequence(
        steps=(Step("a day", Delay(fixed_s=DAY_S)),),
        start=Start(StartStatus.OBSERVED, 0.0, 0.0, 0.0),
        clock=Clock(rate_error_ppm=1.0),
    )
    end = timeline(day, SequenceKnowledge()).expiries["a day"]
    assert end is not None
    assert end.latest - end.nominal == pytest.approx(0.0864, abs=1e-6)
    assert end.nominal - end.earliest == pytest.approx(0.0864, abs=1e-6)


def test_the_exact_expiry_of_a_fast_clock_is_the_delay_over_one_plus_the_rate() -> None:
    # 14 d at +100 ppm: D/(1+p) differs from D(1-p) by D p² = 0.0121 s.
    fast = sequence(
        steps=(Step("fortnight", Delay(fixed_s=14 * DAY_S)),),
        start=Start(StartStatus.OBSERVED, 0.0, 0.0, 0.0),
        clock=Clock(known_rate_ppm=100.0),
    )
    end = timeline(fast, SequenceKnowledge()).expiries["fortnight"]
    assert end is not None
    first_order = 14 * DAY_S * (1 - 100e-6)
    assert end.nominal - first_order == pytest.approx(0.0121, abs=1e-4)


def test_two_readings_leave_a_parallelogram_with_the_vertices_found_by_hand() -> None:
    # Clock and start wide open; two exact instants, remaining times to ± 1 s:
    #   start + (D − R) r = t, D − R = 20 000 ± 1 at t = 20 010 and 60 000 ± 1 at t = 60 012.
    # r lies between (60 012 − 20 010) / (40 000 ± 2), and at each corner both readings are at
    # their bounds.
    wide = sequence(
        start=Start(StartStatus.OBSERVED, -5_000.0, 0.0, 5_000.0), clock=Clock(rate_error_ppm=500.0)
    )
    readings = (remaining(1, 20_010.0, 80_000.0, 1.0), remaining(2, 60_012.0, 40_000.0, 1.0))
    corners = []
    for first, second in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
        matrix = np.array([[1.0, 20_000.0 + first], [1.0, 60_000.0 + second]])
        start, lasts = np.linalg.solve(matrix, [20_010.0, 60_012.0])
        corners.append((start, (1 / lasts - 1) * 1e6))
    vertices = found(readings, wide).vertices[None]
    assert len(vertices) == 4
    for corner in corners:
        assert any(vertex == pytest.approx(corner, abs=1e-3) for vertex in vertices)
    end = expiry(readings, wide).expiries["receiver on"]
    assert end is not None
    reach = [start + DELAY_S / (1 + 1e-6 * rate) for start, rate in corners]
    assert end.earliest == pytest.approx(min(reach), abs=1e-4)
    assert end.latest == pytest.approx(max(reach), abs=1e-4)


def test_a_reading_of_what_remains_does_not_care_how_far_off_the_dial_was() -> None:
    dial = sequence(steps=(Step("receiver on", Delay(fixed_s=DELAY_S, error_s=600.0)),))
    end = expiry((remaining(1, 90_000.0, 10_300.0, 1.0),), dial).expiries["receiver on"]
    assert end is not None
    assert end.earliest == pytest.approx(90_000 + 10_299 / 1.0001, abs=1e-3)
    assert end.latest == pytest.approx(90_000 + 10_301 / 0.9999, abs=1e-3)


def test_two_readings_of_an_inexact_dial_still_tell_the_rate() -> None:
    dial = sequence(steps=(Step("receiver on", Delay(fixed_s=DELAY_S, error_s=600.0)),))
    readings = (remaining(1, 20_000.0, 80_000.0, 0.5), remaining(2, 60_000.0, 40_001.0, 0.5))
    rates = [rate for _, rate in found(readings, dial).vertices[None]]
    # 40 000 s lasted 39 999 ± 1 onboard seconds.
    assert min(rates) == pytest.approx(-50.0, abs=0.1)
    assert max(rates) == pytest.approx(0.0, abs=0.1)


def test_least_squares_agrees_with_the_normal_equations() -> None:
    # Reference: the weighted normal equations solved directly (JCGM 100:2008, H.3 fits a line so).
    rng = np.random.default_rng(7)
    true_start, true_lasts = 61.0, 1 / (1 + 42e-6)
    at = np.array([10_000.0, 30_000.0, 55_000.0, 80_000.0])
    left = DELAY_S - (at - true_start) / true_lasts + rng.uniform(-2, 2, 4)
    readings = tuple(
        remaining(k + 1, t, r, 2.0) for k, (t, r) in enumerate(zip(at, left, strict=True))
    )
    phase = DELAY_S - left
    sigma = 2.0 / np.sqrt(3)
    weights = np.concatenate([np.full(4, 1 / sigma), [np.sqrt(3) / 50, np.sqrt(3) / 100e-6]])
    design = np.vstack([np.column_stack([np.ones(4), phase]), [1.0, 0.0], [0.0, 1.0]])
    values = np.concatenate([at, [50.0, 1.0]])
    normal = (design * weights[:, None] ** 2).T
    start, lasts = np.linalg.solve(normal @ design, normal @ values)
    made = found(readings)
    assert made.start[1] == pytest.approx(start, abs=1e-3)
    assert made.rates[None].nominal == pytest.approx(lasts, abs=1e-10)
    assert made.start[0] <= true_start <= made.start[2]
    assert set(made.residuals) == {1, 2, 3, 4}


def test_a_contradicting_reading_is_named_with_what_it_contradicts_and_left_out() -> None:
    good = (remaining(1, 20_050.0, 80_000.0, 1.0), remaining(2, 60_050.0, 40_000.0, 1.0))
    bad = remaining(3, 80_050.0, 21_000.0, 1.0)
    before, after = found(good), found((*good, bad))
    assert after.vertices == before.vertices
    assert after.left_out == (bad,)
    assert after.used == (1, 2)
    assert "(record 3) contradicts" in after.conflicts[0]
    line = expiry((*good, bad))
    assert line.expiries == expiry(good).expiries
    assert any("record 3" in text for text in line.conflicts)


def test_the_one_reading_without_which_all_agree_is_named_as_the_outlier() -> None:
    wrong_first = (
        remaining(1, 20_050.0, 79_900.0, 1.0),
        remaining(2, 40_050.0, 60_000.0, 1.0),
        remaining(3, 60_050.0, 40_000.0, 1.0),
        remaining(4, 80_050.0, 20_000.0, 1.0),
    )
    made = found(wrong_first, sequence(start=Start(StartStatus.OBSERVED, -500.0, 0.0, 500.0)))
    assert made.used == (1,)
    assert "(record 1) all others agree: it is probably the wrong one" in made.conflicts[-1]
    assert abs(made.residuals[1]) < 10 < abs(made.residuals[4])


def test_a_reading_against_the_known_start_says_so() -> None:
    made = found((remaining(1, 50_000.0, 40_000.0, 1.0),))
    assert "contradicts what is known of the start and the clock" in made.conflicts[0]


def test_what_one_unit_shows_of_the_start_tightens_the_other() -> None:
    steps = (Step("release", Delay(fixed_s=DELAY_S), timers=("A", "B"), units_act="all"),)
    units = (TimerUnit("A", Clock(1.0)), TimerUnit("B", Clock(1.0)))
    two = sequence(steps=steps, units=units)
    reading = Reading("release", 1_000.0, None, 960.0, 0.5, 0.0, "A", 1)
    made = found((reading,), two)
    assert made.start[0] == pytest.approx(39.5, abs=0.01)
    assert made.start[2] == pytest.approx(40.5, abs=0.01)
    end = timeline(two, SequenceKnowledge(readings=(reading,))).expiries["release"]
    assert end is not None
    assert end.latest - end.earliest == pytest.approx(1.0 + 0.2, abs=0.01)


def test_a_sighting_of_one_step_tightens_the_ones_after_it() -> None:
    steps = (
        Step("receiver on", Delay(fixed_s=1_000.0)),
        Step("release", Delay(fixed_s=500.0), after=("receiver on",)),
    )
    two = sequence(steps=steps, clock=Clock())
    seen = {"receiver on": Seen(1_030.0, 1_020.0, 4)}
    line = timeline(two, SequenceKnowledge(seen=seen))
    end = line.expiries["release"]
    assert end is not None
    assert (end.earliest, end.latest) == (pytest.approx(1_520.0), pytest.approx(1_530.0))
    assert line.start.earliest == pytest.approx(20.0, abs=1e-3)


def test_a_running_countdown_that_was_read_ends_the_doubt_of_its_start() -> None:
    doubtful = replace(sequence(), start=Start(StartStatus.IN_DOUBT, 0.0, 50.0, 100.0))
    assert expiry((), doubtful).start.status is StartStatus.IN_DOUBT
    ran = expiry((remaining(1, 1_050.0, 99_000.0, 1.0),), doubtful)
    assert ran.start.status is StartStatus.OBSERVED
    # A countdown that shows its full setting proves nothing.
    still = expiry((remaining(1, 50.0, DELAY_S, 1.0),), doubtful)
    assert still.start.status is StartStatus.IN_DOUBT
