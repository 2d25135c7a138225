"""What countdowns want of stations is asked for by itself; forecasts keep to what is granted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from allocation_cases import DAWN, coverage, stations

from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation
from contactd.core.allocation.schedule import Booking, Confirmed, Schedule
from contactd.core.allocation.sequence_requests import urgent_requests
from contactd.core.allocation.sharing import Sharing, share
from contactd.core.instants import DAY_S
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import Prediction, forecast_target
from contactd.core.sequences.coverage import Conditions
from contactd.core.sequences.model import (
    Covered,
    Delay,
    Need,
    Sequence,
    Start,
    StartStatus,
    Step,
    StepForecast,
    StopRule,
)
from contactd.core.target import Target

MINUTE_S = 60.0
SPAN = (DAWN - DAY_S, DAWN + DAY_S)

RELEASE = Step(
    "antenna release",
    Delay(fixed_s=100 * MINUTE_S),
    needs=(Need("telemetry", before_s=60.0, after_s=180.0),),
    hazard="deployment",
    stop=StopRule(lead_s=60.0, takes_effect_s=30.0),
)


def lantern(*steps: Step) -> Target:
    start = Start(StartStatus.OBSERVED, DAWN - 10.0, DAWN, DAWN + 10.0)
    return Target("Lantern", sequences=(Sequence("Lantern", "wake-up", steps, start),))


def prediction(name: str, contacts: dict[str, list[tuple[float, float]]]) -> Prediction:
    """Contacts in minutes after the dawn; telemetry in all of them, commands without the ends."""
    spans = {(name, place): [(60 * a, 60 * b) for a, b in each] for place, each in contacts.items()}
    seen = coverage(spans)[name]
    shorter = {key: [(a + 60, b - 60) for a, b in each] for key, each in spans.items()}
    seen |= coverage(shorter, "command")[name]
    return Prediction(TargetOutlook(name, SPAN, services=seen), Conditions(), asked=SPAN)


LANTERN = prediction("Lantern", {"North": [(10, 20), (95, 108)], "South": [(60, 70)]})
HERON = prediction("Heron", {"North": [(5, 25), (90, 112)], "South": [(58, 72)]})
GREEDY = Request("Heron", priority=1000, least_duration_s=600)


def shared(requests: dict[str, tuple[Request, ...]], **more: object) -> Allocation:
    targets = {"Lantern": lantern(RELEASE), "Heron": Target("Heron")}
    predictions = {"Lantern": LANTERN, "Heron": HERON}
    places = stations("North", "South", setup_s=60.0)
    sharing = Sharing(requests)
    return share(sharing, targets, predictions, {}, places, DAWN, SPAN[1], **more)  # type: ignore[arg-type]


def release(granted: Allocation | None) -> StepForecast:
    outlook = forecast_target(
        lantern(RELEASE),
        LANTERN,
        {},
        DAWN,
        None if granted is None else granted.granted("Lantern"),
    )
    return outlook.forecasts[0].steps[0]


def test_a_running_step_asks_for_its_stop_and_for_what_it_needs() -> None:
    target = lantern(RELEASE)
    outlook = forecast_target(target, LANTERN, {}, DAWN)
    stop, need = urgent_requests(target, outlook, DAWN)
    free = release(None)
    assert (stop.name, need.name) == (
        "stop of wake-up/antenna release",
        "need of wake-up/antenna release",
    )
    assert stop.urgent
    assert stop.late
    assert stop.deadline == free.stop_by
    assert stop.priority > need.priority
    assert need.least_duration_s == pytest.approx(20.0 + 240.0)
    assert need.not_before == pytest.approx(DAWN + 100 * MINUTE_S - 10.0 - 60.0)


def test_a_step_that_was_stopped_or_cannot_be_stopped_asks_for_nothing_of_that() -> None:
    bare = replace(RELEASE, stop=None, needs=())
    target = lantern(bare)
    assert not urgent_requests(target, forecast_target(target, LANTERN, {}, DAWN), DAWN)
    later = DAWN + 105 * MINUTE_S
    target = lantern(RELEASE)
    assert not urgent_requests(target, forecast_target(target, LANTERN, {}, later), later)


def test_a_stop_and_a_need_go_before_the_greatest_priority() -> None:
    made = shared({"Heron": (GREEDY,)})
    free, kept = release(None), release(made)
    assert free.stop_by == kept.stop_by
    assert free.stop_station == kept.stop_station
    assert kept.coverage is Covered.COVERED
    mine = [grant for grant in made.grants if grant.target == "Lantern"]
    assert all(grant.urgent for grant in mine)
    assert any(
        "what Lantern/wake-up/antenna release needs" in each.because
        or "the stop of Lantern" in each.because
        for each in made.shortfalls
    )


def test_what_was_not_granted_is_no_command_window() -> None:
    made = shared({"Heron": (GREEDY,)})
    outlook = forecast_target(lantern(RELEASE), LANTERN, {}, DAWN, made.granted("Lantern"))
    free = LANTERN.outlook.services["command"]["North"].nominal
    ours = outlook.services["command"]["North"].nominal
    assert free.meets(DAWN + 11 * MINUTE_S, DAWN + 19 * MINUTE_S)
    assert not ours.meets(DAWN + 11 * MINUTE_S, DAWN + 19 * MINUTE_S)
    assert outlook.granted == made.granted("Lantern")


def test_a_need_that_no_station_alone_can_meet_is_handed_over() -> None:
    long = replace(RELEASE, stop=None, needs=(Need("telemetry", before_s=300.0, after_s=600.0),))
    target = lantern(long)
    seen = prediction("Lantern", {"North": [(90, 103)], "South": [(101, 115)]})
    places = stations("North", "South")
    made = share(Sharing(), {"Lantern": target}, {"Lantern": seen}, {}, places, DAWN, SPAN[1])
    north, south = made.grants
    assert (north.station, south.station, south.takes_over_from) == ("North", "South", "North")
    step = forecast_target(target, seen, {}, DAWN, made.granted("Lantern")).forecasts[0].steps[0]
    assert step.coverage is Covered.COVERED


def test_a_need_for_two_stations_gets_both_at_once() -> None:
    both = replace(RELEASE, stop=None, needs=(Need("telemetry", 60.0, 60.0, stations=2),))
    target = lantern(both)
    seen = prediction("Lantern", {"North": [(90, 105)], "South": [(95, 110)]})
    rival = prediction("Heron", {"North": [(90, 105)]})
    made = share(
        Sharing({"Heron": (GREEDY,)}),
        {"Lantern": target, "Heron": Target("Heron")},
        {"Lantern": seen, "Heron": rival},
        {},
        stations("North", "South"),
        DAWN,
        SPAN[1],
    )
    assert {each.station for each in made.grants if each.target == "Lantern"} == {"North", "South"}
    step = forecast_target(target, seen, {}, DAWN, made.granted("Lantern")).forecasts[0].steps[0]
    assert step.coverage is Covered.COVERED


def test_a_station_that_confirmed_its_schedule_gives_nothing_beyond_it() -> None:
    wanted = {"Lantern": (Request("Lantern", "all", "telemetry"),)}
    span = (DAWN + 90 * MINUTE_S, DAWN + 120 * MINUTE_S)
    booking = Booking("Lantern", "North", DAWN + 97 * MINUTE_S, DAWN + 104 * MINUTE_S)
    confirmed = {"North": Confirmed().with_schedule(Schedule("North", *span, (booking,)))}
    free, bound = shared(wanted), shared(wanted, confirmed=confirmed)
    assert free.granted("Lantern")["North"].covers(DAWN + 95 * MINUTE_S, DAWN + 108 * MINUTE_S)
    ours = bound.granted("Lantern")["North"].clip(*span)
    assert list(ours) == [(booking.start, booking.end)]
    before = bound.granted("Lantern")["North"].clip(DAWN, span[0])
    assert list(before) == [(DAWN + 10 * MINUTE_S, DAWN + 20 * MINUTE_S)]
