"""Forecasts in the situations that a controller meets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from contactd.core.contacts.contact import Coverage
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.known import (
    Bounded,
    Command,
    Hold,
    NotSeen,
    Reading,
    Seen,
    SequenceKnowledge,
)
from contactd.core.sequences.model import (
    Cause,
    Clock,
    Covered,
    Delay,
    KeepClear,
    Need,
    Sequence,
    SequenceForecast,
    Setting,
    Start,
    StartStatus,
    Step,
    StepForecast,
    StepStatus,
    StopRule,
    TimerUnit,
)

T0 = from_text("2026-12-03T08:00:00Z")
MIN, HOUR = 60.0, 3_600.0
SPAN = (T0 - 24 * HOUR, T0 + 72 * HOUR)
RUNNING = Start(StartStatus.OBSERVED, T0 - 30, T0, T0 + 30)


def covered(*pairs: tuple[float, float], error_s: float = 0.0) -> Coverage:
    """Coverage in seconds after T0, with a timing error."""
    nominal = IntervalSet.of([(T0 + a, T0 + b) for a, b in pairs])
    return Coverage(nominal, nominal.shrink(error_s, error_s), nominal.grow(error_s, error_s))


def made(
    *steps: Step,
    services: dict[str, dict[str, Coverage]] | None = None,
    now: float = 0.0,
    known: SequenceKnowledge | None = None,
    span: tuple[float, float] = SPAN,
    light_time_s: float = 0.0,
    **changes: object,
) -> SequenceForecast:
    given = {"target": "Lantern 3", "name": "wake-up", "steps": steps, "start": RUNNING}
    sequence = Sequence(**(given | changes))  # type: ignore[arg-type]
    return forecast(
        sequence,
        known or SequenceKnowledge(),
        services or {},
        T0 + now,
        span,
        light_time_s=light_time_s,
    )


def only(made: SequenceForecast) -> StepForecast:
    (step,) = made.steps
    return step


BEACON = Step("beacon", Delay(fixed_s=HOUR), needs=(Need("telemetry", 10.0, 20.0),))


# Covered, at risk, uncovered.


@pytest.mark.parametrize(
    ("coverage", "covered", "margin_s"),
    [
        # The expiry lies in 3570..3630 s and wants 3560..3650 s.
        (covered((3_500, 3_700)), Covered.COVERED, 50.0),
        (covered((3_560, 3_650)), Covered.COVERED, 0.0),
        (covered((3_500, 3_700), error_s=50.0), Covered.COVERED, 0.0),
        (covered((3_500, 3_700), error_s=55.0), Covered.AT_RISK, -5.0),
        (covered((3_580, 3_700)), Covered.AT_RISK, -20.0),
        (covered((3_700, 3_900)), Covered.UNCOVERED, -140.0),
        (covered((3_600, 3_660)), Covered.AT_RISK, None),
        (Coverage(), Covered.UNCOVERED, None),
    ],
)
def test_the_verdict_follows_from_where_the_whole_expiry_interval_lies(
    coverage: Coverage, covered: Covered, margin_s: float | None
) -> None:
    step = only(made(BEACON, services={"telemetry": {"Heron": coverage}}))
    assert step.coverage is covered
    assert step.margin_s == (None if margin_s is None else pytest.approx(margin_s, abs=1e-6))
    assert step.cause is not None
    assert bool(step.cause.lacks) is (covered is not Covered.COVERED)


def test_an_unserved_step_says_when_it_would_have_been_in_view() -> None:
    heron = covered((3_000, 3_500), (3_700, 4_000))
    step = only(made(BEACON, services={"telemetry": {"Heron": heron}}))
    assert step.coverage is Covered.UNCOVERED
    assert step.earliest is not None
    assert step.latest is not None
    assert step.cause == Cause(
        lacks=("service",),
        need=0,
        until=pytest.approx(step.earliest - 90, abs=1e-6),
        since=pytest.approx(step.latest + 80, abs=1e-6),
        outside_s=pytest.approx(step.latest - step.earliest, abs=2e-3),
    )
    assert step.in_view_probability == 0.0
    assert step.stations == ()


def test_the_probability_is_the_share_of_the_uniform_start_that_is_covered() -> None:
    # Uniform over 3570..3630 s (JCGM 100:2008, 4.3.7); met up to 3600 s: one half.
    step = only(made(BEACON, services={"telemetry": {"Heron": covered((3_500, 3_620))}}))
    assert step.in_view_probability == pytest.approx(0.5, abs=1e-6)
    # With ± 30 s of timing error beside ± 30 s of start, the sum is a triangle (4.3.9): half, too,
    # for the middle; and an eighth beyond the middle plus 30 s.
    shifted = covered((3_500, 3_650), error_s=30.0)
    step = only(made(BEACON, services={"telemetry": {"Heron": shifted}}))
    assert step.in_view_probability == pytest.approx(1 - 1 / 8, abs=1e-6)


def test_two_stations_hand_over_unless_the_step_wants_one() -> None:
    services = {"telemetry": {"Heron": covered((3_500, 3_610)), "Curlew": covered((3_600, 3_700))}}
    handed = only(made(BEACON, services=services))
    assert handed.coverage is Covered.COVERED
    assert handed.stations == ("Curlew", "Heron")
    alone = replace(BEACON, needs=(Need("telemetry", 10.0, 20.0, handover=False),))
    assert only(made(alone, services=services)).coverage is Covered.AT_RISK
    both = replace(BEACON, needs=(Need("telemetry", 0.0, 0.0, stations=2),))
    assert only(made(both, services=services)).coverage is Covered.AT_RISK


def test_a_step_before_the_prediction_begins_is_not_called_unserved() -> None:
    step = only(
        made(
            BEACON,
            services={"telemetry": {"Heron": covered((3_500, 3_700))}},
            now=10 * HOUR,
            span=(T0 + 5 * HOUR, T0 + 30 * HOUR),
        )
    )
    assert step.status is StepStatus.EXPIRED
    assert step.coverage is Covered.AT_RISK
    assert step.cause is not None
    assert step.cause.lacks == ("prediction begin",)
    assert step.cause.since == T0 + 5 * HOUR
    assert step.in_view_probability is None


# Status.


def test_a_countdown_runs_expires_and_is_over() -> None:
    for now, status in (
        (0, StepStatus.RUNNING),
        (3_580, StepStatus.EXPIRING),
        (3_700, StepStatus.EXPIRED),
    ):
        assert only(made(BEACON, now=now)).status is status
    planned = Start(StartStatus.EXPECTED, T0, T0 + 60, T0 + 120)
    assert only(made(BEACON, start=planned)).status is StepStatus.PLANNED
    late = only(made(BEACON, start=planned, now=300.0))
    assert "no record says whether it happened" in late.reasons[0]


def test_without_a_start_or_a_setting_no_expiry_is_given() -> None:
    unset = only(made(BEACON, start=Start()))
    assert unset.status is StepStatus.UNSET
    assert unset.reasons == ("nobody has started it and no time is planned",)
    dial = Step("receiver on", Delay(setting=Setting(0.0, HOUR, 60.0)))
    after = Step("release", Delay(fixed_s=60.0), after=("receiver on",))
    planned = replace(RUNNING, status=StartStatus.EXPECTED)
    forecasts = made(dial, after, start=planned).steps
    assert [step.status for step in forecasts] == [StepStatus.UNSET, StepStatus.UNSET]
    assert forecasts[1].reasons == ("it counts from receiver on: its setting is not chosen",)
    known = SequenceKnowledge(settings={"receiver on": 1_800.0})
    assert made(dial, after, known=known).steps[1].nominal == pytest.approx(T0 + 1_860)


def test_a_step_that_repeats_tells_the_next_act_and_those_to_come() -> None:
    every = replace(BEACON, repeat_every_s=12 * HOUR, repeat_most=3, hazard="radiation")
    first, second = only(made(every)), only(made(every, now=2 * HOUR))
    assert first.nominal == pytest.approx(T0 + HOUR)
    assert len(first.later_acts) == 2
    assert second.nominal == pytest.approx(T0 + 13 * HOUR)
    assert second.reasons[0] == "act 2 of 3: it repeats until it is seen"
    assert second.keep_clear is not None
    assert second.keep_clear[1] == pytest.approx(T0 + 25 * HOUR + 30)
    seen = SequenceKnowledge(seen={"beacon": Seen(T0 + HOUR + 60)})
    assert only(made(every, known=seen, now=2 * HOUR)).status is StepStatus.SEEN


def test_a_conditional_step_waits_for_its_condition_and_dies_with_it() -> None:
    lamp = Step("lamp", Delay(fixed_s=MIN))
    motor = Step("motor", Delay(fixed_s=HOUR), only_if_seen="lamp", hazard="motor")
    open_ = made(lamp, motor, now=2 * MIN).steps[1]
    assert open_.status is StepStatus.RUNNING
    assert "acts only if lamp is seen, which has not been yet" in open_.reasons[0]
    refuted = SequenceKnowledge(not_seen={"lamp": NotSeen(T0, T0 + 300, True, record=9)})
    dead = made(lamp, motor, known=refuted, now=10 * MIN).steps[1]
    assert dead.status is StepStatus.STOPPED
    assert dead.keep_clear is None


def test_the_later_and_the_earlier_of_two_steps_decide_a_join() -> None:
    a, b = Step("a", Delay(fixed_s=HOUR)), Step("b", Delay(fixed_s=2 * HOUR, error_s=4_000.0))
    for join, earliest, latest in (
        ("later", HOUR - 30 + 3_600 - 30 - 4_000 + 4_000 - 3_600 + 30, 2 * HOUR + 30 + 4_000),
        ("earlier", 2 * HOUR - 30 - 4_000, HOUR + 30),
    ):
        both = Step("both", Delay(fixed_s=0.0), after=("a", "b"), join=join)
        step = made(a, b, both).steps[2]
        assert step.earliest == pytest.approx(T0 + earliest)
        assert step.latest == pytest.approx(T0 + latest)


def test_of_two_units_the_first_to_expire_acts_or_both_must() -> None:
    units = (TimerUnit("A", Clock(known_rate_ppm=1_000.0)), TimerUnit("B", Clock(10.0)))
    for rule, expected in (("first", HOUR / 1.001), ("all", HOUR)):
        step = Step("motor", Delay(fixed_s=HOUR), timers=("A", "B"), units_act=rule)
        found = only(made(step, units=units))
        assert found.nominal == pytest.approx(T0 + expected, abs=1e-3)


def test_a_power_loss_sets_a_running_countdown_back_only_where_the_model_says_so() -> None:
    loss = SequenceKnowledge(power_losses=(Bounded(T0 + 1_000, T0 + 1_100),))
    kept = only(made(BEACON, known=loss))
    reset = only(made(BEACON, known=loss, clock=Clock(resets_on_power_loss=True)))
    assert kept.nominal == pytest.approx(T0 + HOUR)
    assert reset.earliest == pytest.approx(T0 + 1_000 + HOUR)
    assert reset.latest == pytest.approx(T0 + 1_100 + HOUR)
    # A loss that may have come before or after the expiry leaves both possibilities.
    maybe = SequenceKnowledge(power_losses=(Bounded(T0 + 3_500, T0 + 3_700),))
    either = only(made(BEACON, known=maybe, clock=Clock(resets_on_power_loss=True)))
    assert either.earliest == pytest.approx(T0 + HOUR - 30)
    assert either.latest == pytest.approx(T0 + 3_630 + HOUR)


def test_a_held_countdown_stands_still_and_goes_on_when_it_is_resumed() -> None:
    held = Bounded(T0 + 600, T0 + 610)
    waiting = only(made(BEACON, known=SequenceKnowledge(holds=(Hold(held),)), now=HOUR))
    assert waiting.status is StepStatus.HELD
    assert waiting.earliest is None
    assert waiting.reasons == ("held with 49 min 20 s to 50 min 30 s left",)
    resumed = Hold(held, Bounded(T0 + 1_600, T0 + 1_610))
    running = only(made(BEACON, known=SequenceKnowledge(holds=(resumed,))))
    assert running.earliest == pytest.approx(T0 + HOUR - 30 + 990)
    assert running.latest == pytest.approx(T0 + HOUR + 30 + 1_010)


# In doubt.


def test_a_motor_in_doubt_keeps_everybody_clear_until_its_latest_possible_firing() -> None:
    # Common practice, no source: a solid motor fires about 45 minutes after release; its release
    # switch was bumped somewhere in a quarter of an hour, and nobody knows whether it closed.
    motor = Step(
        "motor",
        Delay(fixed_s=45 * MIN, error_s=30.0),
        hazard="motor",
        keep_clear=KeepClear(5 * MIN, 10 * MIN),
        stop=StopRule(60.0, 5.0),
    )
    doubt = Start(StartStatus.IN_DOUBT, T0, T0 + 450, T0 + 15 * MIN)
    crew = IntervalSet([T0 + 30 * MIN], [T0 + 50 * MIN])
    whole = made(motor, start=doubt, people_near=crew, clock=Clock(50.0), now=20 * MIN)
    step = only(whole)
    drift = 45 * MIN * 50e-6
    assert step.status is StepStatus.RUNNING
    assert step.keep_clear == (
        pytest.approx(T0 + 45 * MIN - 30 - drift - 5 * MIN, abs=1e-3),
        pytest.approx(T0 + 60 * MIN + 30 + drift + 10 * MIN, abs=1e-3),
    )
    assert step.people_in_danger == IntervalSet([step.keep_clear[0]], [T0 + 50 * MIN])  # type: ignore[index]
    assert "people are near" in step.reasons[1]
    assert any("treated as running" in reason for reason in step.reasons)
    assert step.stop_possible is False
    assert whole.hazardous
    refuted = replace(doubt, status=StartStatus.REFUTED, record=7)
    clear = only(made(motor, start=refuted, people_near=crew, now=20 * MIN))
    assert clear.status is StepStatus.STOPPED
    assert clear.keep_clear is None
    assert clear.reasons == ("the start was refuted (record 7)",)


# Stopping.

CHAIN = (
    Step("arm", Delay(fixed_s=2 * HOUR), stop=StopRule(60.0, 20.0)),
    Step("motor", Delay(fixed_s=HOUR), after=("arm",), hazard="motor"),
)
COMMANDS = {
    "command": {
        "Heron": covered((-3_600, -3_000), (3_000, 3_600)),
        "Curlew": covered((7_000, 7_100), (8_000, 8_600)),
    }
}


def test_the_last_stop_is_the_last_end_of_a_command_window_before_the_limit() -> None:
    arm, motor = made(*CHAIN, services=COMMANDS).steps
    # The limit is 2 h − 30 s − 80 s = 7090 s, within Curlew's first window.
    assert arm.stop_by == pytest.approx(T0 + 7_090)
    assert arm.stop_station == "Curlew"
    # Stopping the first step stops the second, too, and it has no rule of its own.
    assert (motor.stop_by, motor.stop_station) == (arm.stop_by, arm.stop_station)
    assert "by stopping arm" in motor.reasons[-1]


def test_light_time_brings_the_last_stop_forward() -> None:
    # One-way light time at 35 786 km: 119.369 ms (c exact, SI).
    arm = made(*CHAIN, services=COMMANDS, light_time_s=0.119369).steps[0]
    assert arm.stop_by == pytest.approx(T0 + 7_090 - 0.119369, abs=1e-6)


def test_a_stop_that_does_not_take_later_steps_along_leaves_them_running() -> None:
    alone = replace(CHAIN[0], stop=StopRule(60.0, 20.0, stops_later_steps=False))
    own = replace(CHAIN[1], stop=StopRule(0.0, 10.0))
    arm, motor = made(alone, CHAIN[1], services=COMMANDS).steps
    assert motor.stop_possible is None
    assert made(alone, own, services=COMMANDS).steps[1].stop_by == pytest.approx(T0 + 8_600)
    stopped = SequenceKnowledge(stopped_steps={"arm": T0 + 7_000})
    arm, motor = made(alone, CHAIN[1], services=COMMANDS, known=stopped, now=7_050).steps
    assert (arm.status, motor.status) == (StepStatus.STOPPED, StepStatus.RUNNING)
    arm, motor = made(*CHAIN, services=COMMANDS, known=stopped, now=7_050).steps
    assert (arm.status, motor.status) == (StepStatus.STOPPED, StepStatus.STOPPED)


def test_no_window_left_and_a_window_missed_are_both_said() -> None:
    none = made(*CHAIN, services={"command": {"Heron": covered((8_000, 9_000))}}).steps[0]
    assert none.stop_possible is False
    assert none.stop_by is None
    # A window that closed before the sequence can have started is no window.
    early = made(*CHAIN, services={"command": {"Heron": covered((-3_600, -60))}}).steps[0]
    assert early.stop_possible is False
    passed = made(*CHAIN, services=COMMANDS, now=7_095).steps[0]
    assert passed.stop_by == pytest.approx(T0 + 7_090)
    assert passed.stop_certain is False
    assert passed.stop_possible is True
    assert "no stop is certain; one sent from" in passed.reasons[0]
    over = made(*CHAIN, services=COMMANDS, now=7_111).steps[0]
    assert over.stop_possible is False
    assert "no command window is left" in over.reasons[0]


def test_only_certain_windows_count_for_a_stop() -> None:
    shaky = {"command": {"Heron": covered((3_000, 3_600), error_s=40.0)}}
    assert made(*CHAIN, services=shaky).steps[0].stop_by == pytest.approx(T0 + 3_560)


def test_a_stop_that_was_sent_counts_only_once_it_is_confirmed() -> None:
    sent = SequenceKnowledge(commands=(Command(T0 + 3_100, "stop", "arm", "Heron", 5),))
    arm = made(*CHAIN, services=COMMANDS, known=sent, now=3_200).steps[0]
    assert arm.status is StepStatus.RUNNING
    assert "until it is confirmed" in arm.reasons[0]


def test_a_stop_between_the_bounds_leaves_open_whether_the_step_acted() -> None:
    start = replace(RUNNING, status=StartStatus.STOPPED, stopped_at=T0 + HOUR)
    step = only(made(replace(BEACON, hazard="radiation"), start=start, now=2 * HOUR))
    assert step.status is StepStatus.EXPIRED
    assert "may have acted before the stop" in step.reasons[0]
    assert step.latest == pytest.approx(T0 + HOUR)


# What comes after.


def test_the_first_confirmation_and_the_longest_silence_are_told() -> None:
    services = {
        "telemetry": {
            "Heron": covered((600, 900), (3_500, 3_620), (9_000, 9_300)),
            "Curlew": covered((5_000, 5_200)),
        }
    }
    later = Step("later", Delay(fixed_s=3 * HOUR))
    whole = made(BEACON, later, services=services)
    assert whole.steps[0].confirm_at == pytest.approx(T0 + 5_000)
    assert whole.steps[0].confirm_station == "Curlew"
    assert whole.steps[1].confirm_at is None
    assert whole.longest_silence == (T0 + 5_200, T0 + 9_000)


def test_every_verdict_can_be_explained_by_facts() -> None:
    known = SequenceKnowledge(
        readings=(Reading("beacon", T0 + 600, 3_000.0, None, 1.0, 0.5, None, 4),)
    )
    services = {"telemetry": {"Heron": covered((3_500, 3_700), error_s=5.0)}}
    step = only(made(BEACON, services=services, known=known, clock=Clock(100.0)))
    texts = {fact.about: fact for fact in step.facts}
    assert set(texts) == {"start", "delay", "clock", "reading", "coverage"}
    assert texts["reading"].source == "record 4"
    assert "50 min remaining of beacon" in texts["reading"].text
    assert texts["delay"].text == "beacon acts 1 h after the start"
    assert texts["coverage"].source == "prediction"
    assert "Heron certainly has telemetry from 2026-12-03T08:58:25Z" in texts["coverage"].text


# Distributions that are not a plain sum.


@pytest.mark.parametrize("join", ["later", "earlier"])
def test_sampled_probabilities_agree_with_monte_carlo_for_joins_and_units(join: str) -> None:
    rng = np.random.default_rng(3)
    count = 400_000
    a = Step("a", Delay(fixed_s=HOUR, error_s=100.0))
    b = Step("b", Delay(fixed_s=HOUR + 40, sigma_s=30.0, error_s=200.0))
    both = Step(
        "both",
        Delay(fixed_s=600.0),
        after=("a", "b"),
        join=join,
        needs=(Need("telemetry"),),
        timers=("A", "B"),
    )
    units = (TimerUnit("A", Clock(2e4)), TimerUnit("B", Clock(1e4)))
    contact = (4_180.0, 4_290.0)
    step = made(a, b, both, units=units, services={"telemetry": {"Heron": covered(contact)}}).steps[
        2
    ]
    start = rng.uniform(-30, 30, count)
    first = start + HOUR + rng.uniform(-100, 100, count)
    second = start + HOUR + 40 + np.clip(rng.normal(0, 30, count), -200, 200)
    origin = np.maximum(first, second) if join == "later" else np.minimum(first, second)
    ends = np.minimum(
        origin + 600 * rng.uniform(1 / 1.02, 1 / 0.98, count),
        origin + 600 * rng.uniform(1 / 1.01, 1 / 0.99, count),
    )
    drawn = ((ends >= contact[0]) & (ends < contact[1])).mean()
    assert step.in_view_probability == pytest.approx(drawn, abs=5e-3)


def test_after_readings_the_probability_is_the_share_of_the_polygon() -> None:
    # Start and rate lie evenly in what the reading leaves; the expiry is linear in both, so the
    # probability is a ratio of areas, found here by Monte Carlo with rejection.
    rng = np.random.default_rng(5)
    clock = Clock(2_000.0)
    start = Start(StartStatus.OBSERVED, T0 - 300, T0, T0 + 300)
    known = SequenceKnowledge(
        readings=(Reading("beacon", T0 + 1_800, 1_800.0, None, 2.0, 1.0, None, 1),)
    )
    bare = replace(BEACON, needs=(Need("telemetry"),))
    step = only(
        made(
            bare,
            start=start,
            clock=clock,
            known=known,
            services={"telemetry": {"Heron": covered((3_601.0, 3_700.0))}},
        )
    )
    begun = rng.uniform(-300, 300, 4_000_000)
    lasts = rng.uniform(1 / 1.002, 1 / 0.998, 4_000_000)
    phase = begun + 1_800 * lasts
    kept = (phase + 2 * lasts >= 1_799) & (phase - 2 * lasts <= 1_801)
    ends = begun[kept] + 3_600 * lasts[kept]
    assert step.in_view_probability == pytest.approx((ends >= 3_601).mean(), abs=2e-2)
