"""Settings that nobody knows, aboard what runs or may run: bounds that hold for each of them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.core.contacts.contact import Coverage
from contactd.core.instants import from_text, to_text
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.expiry import delay_range, timeline
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.known import Bounded, Reading, SequenceKnowledge
from contactd.core.sequences.model import (
    Clock,
    Delay,
    KeepClear,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
    StepStatus,
    StopRule,
)

T0 = from_text("2026-12-03T08:00:00Z")
HOUR = 3600.0
DIAL = Setting(least_s=2 * HOUR, greatest_s=40 * HOUR, resolution_s=600.0)
RELEASE = Step(
    "antenna release",
    Delay(setting=DIAL),
    hazard="deployment",
    keep_clear=KeepClear(300.0, 1200.0, "200 m"),
    stop=StopRule(60.0, 20.0),
)
MOTOR = Step("motor on", Delay(fixed_s=600.0), after=("antenna release",), hazard="motor")
DOUBT = Start(StartStatus.IN_DOUBT, T0, T0 + 5, T0 + 10)
WINDOWS = IntervalSet([T0 + HOUR], [T0 + 1.5 * HOUR])
SERVICES = {"command": {"Mesa Roja": Coverage(WINDOWS, WINDOWS, WINDOWS)}}


def sequence(*steps: Step, start: Start = DOUBT, clock: Clock | None = None) -> Sequence:
    return Sequence("Lantern 3", "wake-up", steps, start=start, clock=clock or Clock())


def test_a_hazard_in_doubt_whose_setting_is_not_known_has_bounds_keep_clear_and_stop_by() -> None:
    made = forecast(
        sequence(RELEASE, MOTOR), SequenceKnowledge(), SERVICES, T0 + 60, (T0 - HOUR, T0 + 9e5)
    )
    release, motor = made.steps
    assert release.status is StepStatus.RUNNING
    assert release.setting_unknown == (2 * HOUR, 40 * HOUR)
    assert (release.earliest, release.latest) == pytest.approx((T0 + 2 * HOUR, T0 + 40 * HOUR + 10))
    assert release.keep_clear == pytest.approx((T0 + 2 * HOUR - 300, T0 + 40 * HOUR + 1210))
    assert release.zone == "200 m"
    assert release.stop_by == pytest.approx(T0 + 1.5 * HOUR)
    assert release.stops == "antenna release"
    assert motor.earliest == pytest.approx(T0 + 2 * HOUR + 600)
    assert motor.latest == pytest.approx(T0 + 40 * HOUR + 610)
    assert motor.setting_unknown is None
    assert motor.stops == "antenna release"
    assert any("the setting of antenna release is not known" in each for each in motor.reasons)


def test_a_planned_sequence_whose_setting_is_not_chosen_stays_without_bounds() -> None:
    planned = replace(DOUBT, status=StartStatus.EXPECTED)
    made = forecast(
        sequence(RELEASE, start=planned), SequenceKnowledge(), SERVICES, T0 - 60, (T0, T0 + 9e5)
    )
    assert made.steps[0].status is StepStatus.UNSET
    assert made.steps[0].earliest is None


def test_a_stopped_run_of_an_unknown_setting_may_have_acted_before_the_stop() -> None:
    stopped = replace(DOUBT, status=StartStatus.STOPPED, stopped_at=T0 + 3 * HOUR)
    made = forecast(
        sequence(RELEASE, start=stopped), SequenceKnowledge(), SERVICES, T0 + 4 * HOUR,
        (T0, T0 + 9e5),
    )  # fmt: skip
    assert made.steps[0].status is StepStatus.EXPIRED
    assert made.steps[0].latest == pytest.approx(T0 + 3 * HOUR)


def test_a_countdown_that_was_read_needs_no_setting() -> None:
    reading = Reading("antenna release", T0 + HOUR, remaining_s=5 * HOUR, error_s=30.0, record=4)
    found = timeline(sequence(RELEASE), SequenceKnowledge(readings=(reading,)))
    expiry = found.expiries["antenna release"]
    assert expiry is not None
    assert (expiry.earliest, expiry.latest) == pytest.approx(
        (T0 + 6 * HOUR - 30, T0 + 6 * HOUR + 30)
    )


def test_rules_between_settings_narrow_what_an_unknown_one_may_be() -> None:
    first = Step("arm", Delay(setting=replace(DIAL, least_s=3 * HOUR)))
    later = Step(
        "fire", Delay(setting=replace(DIAL, greatest_s=10 * HOUR, exceeds=(("arm", HOUR),)))
    )
    both = sequence(first, later)
    assert delay_range(both, later, SequenceKnowledge()) == (4 * HOUR, 10 * HOUR)
    assert delay_range(both, first, SequenceKnowledge()) == (3 * HOUR, 9 * HOUR)
    known = SequenceKnowledge(settings={"arm": 5 * HOUR})
    assert delay_range(both, later, known) == (6 * HOUR, 10 * HOUR)
    assert delay_range(both, first, known) == (5 * HOUR, 5 * HOUR)


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 228),
    st.floats(0, 1),
    st.floats(-1, 1),
    st.one_of(st.none(), st.floats(0, 50)),
    st.one_of(st.none(), st.tuples(st.floats(0, 45), st.floats(0, 5))),
)
def test_the_true_expiry_lies_within_the_bounds_whatever_was_set(
    index: int,
    begun: float,
    rate: float,
    lost_h: float | None,
    held: tuple[float, float] | None,
) -> None:
    """A spacecraft whose setting nobody knows: its expiry, with a power loss and a hold."""
    clock = Clock(rate_error_ppm=50.0, resets_on_power_loss=True)
    delay_s = (DIAL.least_s + index * DIAL.resolution_s) / (1 + rate * 50e-6)
    origin = T0 + 10 * begun
    expiry = origin + delay_s
    known = SequenceKnowledge()
    if held is not None and lost_h is None:
        from contactd.core.sequences.known import Hold

        at, until = T0 + held[0] * HOUR, T0 + (held[0] + held[1]) * HOUR
        known = replace(known, holds=(Hold(Bounded(at, at), Bounded(until, until)),))
        if origin <= at < expiry:
            expiry += until - at
    if lost_h is not None:
        lost = T0 + lost_h * HOUR
        known = replace(known, power_losses=(Bounded(lost - 5, lost + 5),))
        if origin <= lost < expiry:
            expiry = lost + delay_s
    found = timeline(sequence(RELEASE, clock=clock), known).expiries["antenna release"]
    assert found is not None
    assert found.earliest - 1e-3 <= expiry <= found.latest + 1e-3


def test_a_countdown_across_a_leap_second_is_elapsed_seconds() -> None:
    # Source: IERS Bulletin C 52: a leap second at the end of 2016-12-31.
    start = from_text("2016-12-31T20:00:00Z")
    step = Step("antenna release", Delay(fixed_s=86_400.0), hazard="deployment",
                keep_clear=KeepClear(60.0, 60.0), stop=StopRule(60.0, 20.0))  # fmt: skip
    observed = Start(StartStatus.OBSERVED, start, start, start)
    window = IntervalSet([start + 3600], [start + 86_400])
    made = forecast(
        sequence(step, start=observed), SequenceKnowledge(),
        {"command": {"Mesa Roja": Coverage(window, window, window)}}, start + 60,
        (start - 3600, start + 2 * 86_400),
    ).steps[0]  # fmt: skip
    assert made.earliest is not None
    assert made.keep_clear is not None
    assert made.stop_by is not None
    # 86 400 s after 20:00:00, one of them 23:59:60, is 19:59:59.
    assert to_text(made.earliest, 0) == "2017-01-01T19:59:59Z"
    assert to_text(made.keep_clear[0], 0) == "2017-01-01T19:58:59Z"
    assert to_text(made.stop_by, 0) == "2017-01-01T19:58:39Z"
    # A reading of 22 h, taken 2 h after the start, at 22:00:00, says the same.
    reading = Reading("antenna release", start + 7200, remaining_s=79_200.0, record=2)
    found = timeline(
        sequence(step, start=observed), SequenceKnowledge(readings=(reading,))
    ).expiries["antenna release"]
    assert found is not None
    assert to_text(found.earliest, 0) == "2017-01-01T19:59:59Z"
