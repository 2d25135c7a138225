"""What comes next, from outlooks made by hand: what each row says follows from its definition."""

from __future__ import annotations

from dataclasses import replace

from contactd.core import instants
from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.core.sequences.model import (
    Covered,
    SequenceForecast,
    Start,
    StartStatus,
    StepForecast,
    StepStatus,
    StopChance,
)
from contactd.mission.agenda import Agenda, Kind, agenda

NOW = instants.from_text("2026-12-03T10:00:00Z")
SPAN = (NOW - 3600.0, NOW + 7 * 86_400.0)
STEP = StepForecast(
    "Lantern 3",
    "wake-up",
    "beacon on",
    StepStatus.RUNNING,
    earliest=NOW + 7200.0,
    nominal=NOW + 7260.0,
    latest=NOW + 7320.0,
)


def ahead(
    *steps: StepForecast,
    start: Start | None = None,
    until_s: float = NOW + 86_400.0,
    stations: dict[str, Station] | None = None,
    **outlook: object,
) -> Agenda:
    forecast = SequenceForecast("Lantern 3", "wake-up", start or Start(), steps)
    made = replace(TargetOutlook("Lantern 3", SPAN, forecasts=(forecast,)), **outlook)
    return agenda(Snapshot(NOW, targets={"Lantern 3": made}, stations=stations or {}), NOW, until_s)


def test_a_keep_clear_that_still_holds_stays_after_its_step_has_expired_or_was_confirmed() -> None:
    for status in (StepStatus.EXPIRED, StepStatus.SEEN):
        step = replace(
            STEP,
            status=status,
            earliest=NOW - 600.0,
            latest=NOW - 300.0,
            keep_clear=(NOW - 900.0, NOW + 600.0),
            hazard="deployment",
            zone="200 m",
        )
        found = ahead(step)
        assert [row.kind for row in found.decisions] == [Kind.KEEP_CLEAR]
        assert "'beacon on'" in found.decisions[0].text
        assert "200 m" in found.decisions[0].text
        assert found.routine == ()


def test_a_stop_names_the_step_whose_command_it_is() -> None:
    step = replace(
        STEP,
        stop_by=NOW + 1800.7,
        stop_station="Mesa Roja",
        stops="antenna release",
        stop_certain=True,
        stop_possible=True,
    )
    [stop] = ahead(step).decisions
    assert (stop.kind, stop.stops, stop.station) == (Kind.STOP_BY, "antenna release", "Mesa Roja")
    assert '"stop antenna release" through Mesa Roja' in stop.text
    assert stop.when(NOW) == "10:30:00Z"


def test_a_stop_by_that_is_past_is_no_deadline_and_the_chances_that_remain_are_named() -> None:
    chance = StopChance("Hill", "antenna release", NOW + 600.2, NOW + 900.8, NOW + 7250.0, 0.609)
    step = replace(
        STEP,
        stop_by=NOW - 60.0,
        stop_station="Mesa Roja",
        stops="antenna release",
        stop_certain=False,
        stop_possible=True,
        stop_chances=(chance,),
    )
    found = ahead(step)
    assert [row.kind for row in found.decisions] == [Kind.STOP_CHANCE]
    assert found.decisions[0].when(NOW) == "10:10:01Z to 10:15:00Z"
    assert found.decisions[0].text.endswith(
        '"stop antenna release" through Hill catches at least 60 %'
    )
    assert "no certain stop" in found.routine[0].text
    [lost] = ahead(replace(step, stop_possible=False, stop_chances=())).rows
    assert "no stop possible" in lost.text


def test_only_an_expiry_that_is_covered_or_needs_nothing_is_routine() -> None:
    for coverage, decisions in (
        (Covered.UNCOVERED, 1),
        (Covered.AT_RISK, 1),
        (Covered.COVERED, 0),
        (None, 0),
    ):
        found = ahead(replace(STEP, coverage=coverage))
        assert len(found.decisions) == decisions
        assert len(found.rows) == 1


def test_a_start_asks_for_a_record_until_there_is_one() -> None:
    for status, words in ((StartStatus.EXPECTED, "due"), (StartStatus.IN_DOUBT, "as running")):
        start = Start(status=status, earliest=NOW - 7200.0, latest=NOW - 3600.0)
        [row] = ahead(start=start).decisions
        assert row.kind is Kind.START
        assert words in row.text
    assert (
        ahead(start=Start(status=StartStatus.OBSERVED, earliest=NOW - 9.0, latest=NOW - 9.0)).rows
        == ()
    )


def test_a_setting_that_nobody_knows_is_named_with_its_range() -> None:
    [row] = ahead(replace(STEP, setting_unknown=(7200.0, 144_000.0))).rows
    assert "setting unknown: 2 h to 1 d 16 h" in row.text


def test_what_never_sets_ends_with_the_prediction_and_not_with_a_loss_of_signal() -> None:
    services = {"command": {"Hill": Coverage(nominal=IntervalSet([NOW - 60.0], [SPAN[1]]))}}
    [row] = ahead(services=services).routine
    assert row.ended_by_prediction
    assert "in view beyond the prediction's end" in row.text


def test_a_window_that_goes_on_after_the_end_asked_for_is_told_whole() -> None:
    spans = IntervalSet([NOW + 3600.4, NOW + 86_500.0], [NOW + 7200.6, NOW + 86_600.0])
    [row] = ahead(services={"command": {"Hill": Coverage(nominal=spans)}}, until_s=NOW + 5000).rows
    assert row.when(NOW) == "11:00:01Z to 12:00:00Z"


def test_a_contact_stands_beside_no_command_window_of_its_own_and_says_that_it_is_out() -> None:
    contact = Contact(
        "Lantern 3", "Hill", NOW + 60.0, NOW + 300.0, NOW + 600.0, 1.0, 2.0, 3.0, 45.2, 812.0
    )
    commands = {"Hill": Coverage(nominal=IntervalSet([NOW + 90.0], [NOW + 500.0]))}
    [row] = ahead(contacts=(contact,), services={"command": commands}).rows
    assert row.kind is Kind.WINDOW
    out = Station(
        "Hill",
        1.0,
        2.0,
        outages=IntervalSet([NOW], [NOW + 7200.0]),
        outage_reasons=((NOW, NOW + 7200.0, "mast painted"),),
    )
    [row] = ahead(contacts=(contact,), stations={"Hill": out}).rows
    assert row.out_of_service
    assert "out of service 10:00:00Z to 12:00:00Z: mast painted" in row.text


def test_bounds_are_told_outwards_and_a_last_moment_never_later() -> None:
    step = replace(
        STEP,
        earliest=NOW + 3600.7,
        latest=NOW + 3660.2,
        keep_clear=(NOW + 3300.9, NOW + 4260.1),
        stop_by=NOW + 1800.999,
        stop_station="Hill",
        stops="beacon on",
        stop_certain=True,
        stop_possible=True,
    )
    told = {row.kind: row.when(NOW) for row in ahead(step).rows}
    assert told == {
        Kind.STOP_BY: "10:30:00Z",
        Kind.KEEP_CLEAR: "10:55:00Z to 11:11:01Z",
        Kind.EXPIRY: "11:00:00Z to 11:01:01Z",
    }
