"""Every kind of need that fails is blamed in words, and nothing else is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from contactd.core.contacts.contact import Coverage
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.sequences.align import align
from contactd.core.sequences.coverage import Conditions
from contactd.core.sequences.forecast import forecast
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import (
    Covered,
    Delay,
    Need,
    Sequence,
    Setting,
    Start,
    StartStatus,
    Step,
    StepForecast,
)
from contactd.core.sequences.needs import DarkStation, InLight, LeastElevation
from contactd.mission.documents.steps import step_detail
from contactd.mission.texts.cause import cause_text, need_text

T0 = from_text("2026-12-03T08:00:00Z")
SPAN = (T0 - 7200.0, T0 + 36_000.0)
NEED = Need("telemetry", 60.0, 180.0)


def sure(*spans: tuple[float, float]) -> Coverage:
    held = IntervalSet.of((T0 + first, T0 + last) for first, last in spans)
    return Coverage(held, held, held)


ALWAYS = sure((-7200, 36_000))
NEVER_THEN = sure((-7200, 3000), (4500, 36_000))
NORRSUND = {"telemetry": {"Norrsund": ALWAYS}}
TWO_IN_TURN = {"telemetry": {"Norrsund": sure((-7200, 3600)), "Kelp Bay": sure((3580, 36_000))}}
CASES = {
    "service": (NEED, {"telemetry": {"Norrsund": NEVER_THEN}}, {}, "no telemetry"),
    "sunlight": (
        replace(NEED, sunlit=True), NORRSUND, {(InLight(True), ""): NEVER_THEN}, "in shadow",
    ),
    "shadow": (
        replace(NEED, sunlit=False), NORRSUND, {(InLight(False), ""): NEVER_THEN}, "in sunlight",
    ),
    "elevation": (
        replace(NEED, least_elevation_deg=30.0), NORRSUND,
        {(LeastElevation(30.0), "Norrsund"): NEVER_THEN}, "below 30°",
    ),
    "darkness": (
        replace(NEED, dark_station=True), NORRSUND,
        {(DarkStation(), "Norrsund"): NEVER_THEN}, "no station in darkness",
    ),
    "stations": (replace(NEED, stations=2), NORRSUND, {}, "fewer than 2 stations at once"),
    "station change": (
        replace(NEED, handover=False), TWO_IN_TURN, {}, "only with a change of station",
    ),
}  # fmt: skip
BLAMES = {name: words for name, (_, _, _, words) in CASES.items()}


def made(name: str) -> StepForecast:
    need, services, met, _ = CASES[name]
    step = Step("boom out", Delay(fixed_s=3600.0), needs=(need,))
    start = Start(StartStatus.OBSERVED, T0 - 10, T0, T0 + 10)
    sequence = Sequence("Ptarmigan 2", "boom", (step,), start=start)
    conditions = Conditions(met)
    return forecast(
        sequence, SequenceKnowledge(), services, T0 + 60, SPAN, conditions=conditions
    ).steps[0]


def test_every_kind_of_need_has_a_case() -> None:
    kinds = {each.name for name in CASES for each in CASES[name][0].conditions}
    assert kinds | {"service", "stations", "station change"} == set(CASES)


@pytest.mark.parametrize("name", CASES)
def test_a_need_that_fails_is_blamed_and_no_other(name: str) -> None:
    step = made(name)
    assert step.coverage is Covered.UNCOVERED
    assert step.cause is not None
    assert step.cause.lacks == (name,)
    texts = [cause_text(step), step_detail(step)["cause"]["text"]]
    for text in texts:
        assert BLAMES[name] in text
        for other, words in BLAMES.items():
            assert other == name or words not in text


@pytest.mark.parametrize("name", ["sunlight", "shadow", "elevation", "darkness"])
def test_a_station_that_has_it_throughout_is_named_and_not_called_missing(name: str) -> None:
    assert made(name).cause.stations == ("Norrsund",)  # type: ignore[union-attr]
    assert "Norrsund in contact throughout" in cause_text(made(name))


def test_how_far_coverage_is_away_is_never_told_shorter_than_it_is() -> None:
    # Earliest 3590 s, latest 3610 s; covered until 3000 − 180 and from 4500 + 60.
    assert cause_text(made("service")) == (
        "no telemetry; coverage ends 12 min 50 s before the earliest expiry and resumes "
        "15 min 50 s after the latest"
    )


@pytest.mark.parametrize("name", ["sunlight", "elevation", "darkness"])
def test_a_blocked_plan_blames_the_condition_and_names_no_station_that_cannot_meet_it(
    name: str,
) -> None:
    need, services, met, _ = CASES[name]
    never = dict.fromkeys(met, sure())
    setting = Setting(3600.0, 7200.0, 600.0)
    step = Step("boom out", Delay(setting=setting), needs=(need,))
    sequence = Sequence("Ptarmigan 2", "boom", (step,))
    answer = align(
        sequence,
        services,
        SPAN,
        starts=IntervalSet([T0], [T0 + 600]),
        conditions=Conditions(never),
    )
    assert answer.options == ()
    (blocker,) = [each for each in answer.blocked_by if each.rule == "needs"]
    assert need.conditions[0].words in blocker.reason
    assert "no station" not in blocker.reason
    assert "Norrsund" not in (blocker.station or "")


def test_what_a_need_asks_for_is_said_with_its_conditions() -> None:
    need = replace(NEED, sunlit=True, least_elevation_deg=30.0)
    assert need_text(need) == (
        "telemetry from 1 min before to 3 min after, at 30° or higher, in sunlight"
    )
