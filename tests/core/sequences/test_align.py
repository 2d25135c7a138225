"""What alignment answers, asked the way a controller asks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from contactd.core.contacts.contact import Coverage
from contactd.core.errors import InputError
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.align import Rank, Robust, align, remaining_starts, slip
from contactd.core.sequences.model import (
    Clock,
    Covered,
    Delay,
    KeepClear,
    Need,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
    StopRule,
    TemperatureRate,
)

T0 = from_text("2026-12-03T00:00:00Z")
HOUR = 3_600.0
SPAN = (T0, T0 + 24 * HOUR)


def covered(*pairs: tuple[float, float]) -> Coverage:
    """Coverage in hours after T0."""
    whole = IntervalSet.of([(T0 + a * HOUR, T0 + b * HOUR) for a, b in pairs])
    return Coverage(whole, whole, whole)


def dial(least: float, greatest: float, tick: float = 600.0) -> Delay:
    return Delay(setting=Setting(least * HOUR, greatest * HOUR, tick))


SERVICES = {
    "telemetry": {
        "Heron": covered((3.0, 3.2), (9.0, 9.15), (15.0, 15.2)),
        "Curlew": covered((9.05, 9.25), (21.0, 21.1)),
    },
    "command": {"Heron": covered((3.0, 3.2), (9.0, 9.15), (15.0, 15.2))},
}
RECEIVER = Step("receiver on", dial(1.0, 6.0), needs=(Need("telemetry", 60.0, 120.0),))
RELEASE = Step(
    "antenna release",
    dial(0.5, 7.0),
    after=("receiver on",),
    needs=(Need("command", 30.0, 60.0),),
    hazard="deployment",
    keep_clear=KeepClear(120.0, 600.0),
    stop=StopRule(60.0, 20.0),
)


def sequence(**changes: object) -> Sequence:
    given = {
        "target": "Lantern 3",
        "name": "wake-up",
        "steps": (RECEIVER, RELEASE),
        "start": Start(StartStatus.EXPECTED, T0, T0 + 2 * HOUR, T0 + 4 * HOUR, give_or_take_s=10.0),
        "clock": Clock(rate_error_ppm=50.0),
    }
    return Sequence(**(given | changes))  # type: ignore[arg-type]


def test_the_best_plan_keeps_every_step_served_and_says_by_what_margin() -> None:
    made = align(sequence(), SERVICES, SPAN)
    best = made.options[0]
    assert made.complete
    assert made.hazardous
    assert best.best_start == pytest.approx((best.start_from + best.start_until) / 2)
    assert [step.coverage for step in best.steps] == [Covered.COVERED, Covered.COVERED]
    # Receiver on: Heron hands over to Curlew, 900 s less 180 s of needs, around 9 h 7 min.
    # Release: 720 s less 90 s, around 15 h 5 min 45 s; the dial puts 6 h between, 75 s too many.
    # That leaves 600 s for both, less 10 s of the start and the clock's error at either end: the
    # release is bound by its contact's beginning, the receiver by its contact's end.
    delays_s = 2 * best.settings["receiver on"] + best.settings["antenna release"]
    common = 600 - 20 - 50e-6 * delays_s
    assert best.margin_s == pytest.approx(common / 2, abs=1e-3)
    margins = [option.margin_s for option in made.options]
    assert margins == sorted(margins, reverse=True)
    assert best.steps[1].stop_by is not None


def test_settings_already_dialled_leave_the_start_times_that_remain() -> None:
    given = {"receiver on": 2 * HOUR, "antenna release": 6 * HOUR}
    left = remaining_starts(sequence(), SERVICES, SPAN, given)
    made = align(sequence(), SERVICES, SPAN, settings=given, most=10)
    assert [
        (o.start_from, o.start_until) for o in sorted(made.options, key=lambda o: o.best_start)
    ] == [(pytest.approx(a, abs=1e-5), pytest.approx(b, abs=1e-5)) for a, b in left]
    assert left.covers(T0 + 1.05 * HOUR, T0 + 1.06 * HOUR)
    assert all(dict(option.settings) == given for option in made.options)


def test_a_crew_that_can_only_start_in_an_hour_is_told_which_settings_fit() -> None:
    hour = IntervalSet([T0 + 10 * HOUR], [T0 + 11 * HOUR])
    made = align(sequence(), SERVICES, SPAN, starts=hour)
    for option in made.options:
        assert T0 + 10 * HOUR <= option.start_from < option.start_until <= T0 + 11 * HOUR
        assert remaining_starts(sequence(), SERVICES, SPAN, option.settings, starts=hour).covers(
            option.start_from + 1e-3, option.start_until - 1e-3
        )


def test_a_slipped_start_says_what_is_lost() -> None:
    best = align(sequence(), SERVICES, SPAN).options[0]
    within = slip(sequence(), best, SERVICES, SPAN, best.margin_s - 1)
    beyond = slip(sequence(), best, SERVICES, SPAN, best.margin_s + 1)
    far = slip(sequence(), best, SERVICES, SPAN, 2 * HOUR)
    assert within.lost == ()
    assert beyond.lost != ()
    assert set(far.lost) == {"receiver on", "antenna release"}


def test_people_near_are_kept_out_of_every_keep_clear_of_a_plan() -> None:
    outside = IntervalSet([T0 + 2 * HOUR], [T0 + 10 * HOUR])
    crewed = sequence(people_near=outside)
    made = align(crewed, SERVICES, SPAN, most=20)
    assert made.options
    for option in made.options:
        clear = option.steps[1].keep_clear
        assert clear is not None
        for start in (option.start_from, option.start_until):
            moved = start - option.best_start
            assert not outside.meets(clear[0] + moved + 1e-3, clear[1] + moved - 1e-3)
        assert not option.steps[1].people_in_danger
    assert slip(crewed, made.options[0], SERVICES, SPAN, -5.8 * HOUR).danger == ("antenna release",)


def test_the_earliest_finish_comes_first_when_asked_for() -> None:
    by_margin = align(sequence(), SERVICES, SPAN).options
    by_finish = align(sequence(), SERVICES, SPAN, rank=Rank.FINISH, least_margin_s=30.0).options
    finishes = [option.finish for option in by_finish]
    assert finishes == sorted(finishes)
    assert by_finish[0].finish <= min(option.finish for option in by_margin)
    assert all(option.margin_s > 30.0 for option in by_finish)


def test_most_stations_first_finds_the_plan_that_two_stations_see() -> None:
    receiver_only = sequence(steps=(RECEIVER,))
    plain = align(receiver_only, SERVICES, SPAN).options[0]
    doubly = align(receiver_only, SERVICES, SPAN, rank=Rank.STATIONS)
    first = doubly.options[0]
    # Heron and Curlew overlap from 9.05 h to 9.15 h only.
    assert T0 + 9.05 * HOUR < first.steps[0].nominal < T0 + 9.15 * HOUR  # type: ignore[operator]
    assert first.stations_least == 2
    assert first.margin_s < plain.margin_s


def test_a_plan_that_survives_a_lost_station_costs_margin_and_says_how_much() -> None:
    receiver_only = sequence(steps=(RECEIVER,))
    plain = align(receiver_only, SERVICES, SPAN)
    for robust in (Robust.STATION, Robust.CONTACT):
        made = align(receiver_only, SERVICES, SPAN, robust=robust)
        assert made.options
        assert made.robust_cost_s == pytest.approx(
            plain.options[0].margin_s - made.options[0].margin_s
        )
        for lost in ("Heron", "Curlew"):
            left = {
                service: {name: each for name, each in stations.items() if name != lost}
                for service, stations in SERVICES.items()
            }
            again = slip(receiver_only, made.options[0], left, SPAN, 0.0)
            assert again.steps[0].coverage is Covered.COVERED


def test_one_dial_may_have_to_exceed_another() -> None:
    later = replace(
        RELEASE,
        after=(),
        delay=Delay(setting=replace(RELEASE.delay.setting, exceeds=(("receiver on", 1_800.0),))),  # type: ignore[type-var]
    )
    made = align(sequence(steps=(RECEIVER, later)), SERVICES, SPAN, most=20)
    assert made.options
    for option in made.options:
        assert option.settings["antenna release"] >= option.settings["receiver on"] + 1_800.0


def test_a_step_that_repeats_needs_only_one_of_its_acts_in_view() -> None:
    beacon = Step(
        "beacon",
        Delay(fixed_s=1.0 * HOUR),
        needs=(Need("telemetry", 10.0, 30.0),),
        repeat_every_s=2 * HOUR,
        repeat_most=5,
    )
    once = sequence(steps=(replace(beacon, repeat_every_s=None, repeat_most=1),))
    start = IntervalSet([T0], [T0 + HOUR])
    assert align(once, SERVICES, SPAN, starts=start).options == ()
    made = align(sequence(steps=(beacon,)), SERVICES, SPAN, starts=start)
    # Its second act at start + 3 h meets the contact from 3.0 h.
    assert made.options[0].start_from == pytest.approx(T0 + 10 + 10, abs=2.0)


def test_a_temperature_that_slows_the_clocks_moves_the_starts_with_it() -> None:
    cold = TemperatureRate(((-40.0, -2_000.0), (20.0, 0.0)), ((T0, -40.0),))
    slow = sequence(
        steps=(Step("receiver on", Delay(fixed_s=8 * HOUR), needs=(Need("telemetry"),)),),
        clock=Clock(temperature=cold),
    )
    (best, *_) = align(slow, SERVICES, SPAN).options
    # 8 h at −2 000 ppm last 57.7 s longer.
    assert best.start_from == pytest.approx(T0 + HOUR - 8 * HOUR * 0.002004 + 10, abs=0.1)
    assert best.steps[0].coverage is Covered.COVERED


def test_what_cannot_be_asked_is_refused() -> None:
    with pytest.raises(InputError, match="7200 s or 7800 s"):
        align(sequence(), SERVICES, SPAN, settings={"receiver on": 7_300.0})
    with pytest.raises(InputError, match="from 1 to 100 options"):
        align(sequence(), SERVICES, SPAN, most=0)
    with pytest.raises(InputError, match="a value for every setting"):
        remaining_starts(sequence(), SERVICES, SPAN, {"receiver on": 7_200.0})
