"""From what is known of a target's motion to contacts, coverage and verdicts."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from orbits import EPOCH, clearance, invented

from contactd.core.contacts.prediction import predict
from contactd.core.ground.links import Direction, Link
from contactd.core.ground.station import ServiceTerms, Station
from contactd.core.instants import DAY_S, to_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.ephemeris import EphemerisTrack, Segment
from contactd.core.orbit.manoeuvres import Manoeuvre
from contactd.core.orbit.numerical import NumericalTrack
from contactd.core.orbit.orbit_error import EXACT, OrbitError
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import StateVector, state_from_cartesian, to_frame
from contactd.core.planning import Prediction, Target, forecast_target, next_turn, predict_target
from contactd.core.sequences.model import (
    Covered,
    Delay,
    Need,
    Sequence,
    Start,
    StartStatus,
    Step,
    StepForecast,
)
from contactd.core.sequences.needs import LeastElevation

NOW = EPOCH + 3600.0
SPAN = (NOW - 3600.0, NOW + DAY_S)
ELEMENTS = invented(name="LANTERN 3")
HOUSE = Station("House", 47.0, 8.0, least_elevation_deg=5.0, services={"telemetry": ServiceTerms()})
FAR = Station("Far", -35.0, 150.0, least_elevation_deg=5.0, services={"telemetry": ServiceTerms()})
STATIONS = (HOUSE, FAR)
PLAIN = Target("Lantern 3", (ELEMENTS,), "the target's file", stated_error=EXACT)


def table(*spans: tuple[float, float]) -> EphemerisTrack:
    """An ephemeris of the elements' own states at every minute of some spans."""
    track = Sgp4Track(ELEMENTS)
    segments = []
    for start, end in spans:
        instants = np.append(np.arange(start, end, 60.0), end)
        segments.append(Segment(instants, *track.states(instants), (start, end)))
    return EphemerisTrack("LANTERN 3", tuple(segments))


def state_at(instant: float) -> StateVector:
    position, velocity = Sgp4Track(ELEMENTS).states(np.array([instant]))
    return StateVector(instant, tuple(position[0].tolist()), tuple(velocity[0].tolist()))


def with_step(target: Target, expiry: float, **need: float) -> Target:
    """The target with one step that runs out at a known instant, 40 s either way."""
    start = Start(StartStatus.OBSERVED, NOW - 40.0, NOW, NOW + 40.0)
    step = Step("beacon on", Delay(expiry - NOW), needs=(Need("telemetry", **need),))
    return replace(target, sequences=(Sequence(target.name, "wake-up", (step,), start),))


def verdict(target: Target, span: tuple[float, float] = SPAN) -> StepForecast:
    prediction = predict_target(target, STATIONS, span, NOW)
    (found,) = forecast_target(target, prediction, {}, NOW).forecasts
    return found.steps[0]


def times(prediction: Prediction) -> list[tuple[str, float, float]]:
    return [(each.station, each.aos, each.los) for each in prediction.outlook.contacts]


def test_a_plain_target_needs_neither_integrator_nor_links() -> None:
    # A cold `contactd contacts` must not pay for what only other orbits need.
    code = (
        "import sys; sys.path[:0] = ['tests/support']\n"
        "from contactd.core.planning import Target, predict_target\n"
        "from contactd.core.ground.station import ServiceTerms, Station\n"
        "from contactd.core.orbit.elements import ElementSet\n"
        "elements = ElementSet('L', 90001, '', 8.2e8, 14.9, 0.001, 97.5, 40.0, 90.0, 10.0)\n"
        "house = Station('House', 47.0, 8.0, services={'telemetry': ServiceTerms()})\n"
        "made = predict_target(Target('L', (elements,)), [house], (8.2e8, 8.201e8), 8.2e8)\n"
        "assert made.outlook.contacts\n"
        "print(sorted(set(sys.modules) & {'scipy', 'contactd.core.orbit.numerical',\n"
        "    'contactd.core.orbit.source', 'contactd.core.ground.links'}))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"


def test_an_ephemeris_of_the_elements_gives_the_elements_contacts() -> None:
    by_elements = predict_target(PLAIN, STATIONS, SPAN, NOW)
    ephemeris = Target("Lantern 3", elements_source="l.oem", ephemeris=table(SPAN))
    by_ephemeris = predict_target(ephemeris, STATIONS, SPAN, NOW)
    assert len(times(by_elements)) > 5
    for (one, aos, los), (other, same_aos, same_los) in zip(
        times(by_elements), times(by_ephemeris), strict=True
    ):
        assert one == other
        assert (same_aos, same_los) == pytest.approx((aos, los), abs=0.02)
    assert by_ephemeris.outlook.problem is None
    assert by_ephemeris.outlook.span == SPAN
    assert by_ephemeris.outlook.elements is not None
    assert by_ephemeris.outlook.elements.source == "l.oem"
    assert by_ephemeris.half_period_s == pytest.approx(by_elements.half_period_s, rel=0.01)


def test_no_contact_is_predicted_across_a_gap() -> None:
    whole = predict_target(PLAIN, [HOUSE], SPAN, NOW)
    crossed = whole.outlook.contacts[1]
    gap = (crossed.aos + 60.0, crossed.los + 3600.0)
    ephemeris = table((SPAN[0], gap[0]), (gap[1], SPAN[1]))
    target = Target("Lantern 3", ephemeris=ephemeris)
    found = predict_target(target, [HOUSE], SPAN, NOW)
    cut = found.outlook.contacts[1]
    assert cut.aos == pytest.approx(crossed.aos, abs=0.02)
    assert cut.los == pytest.approx(gap[0], abs=1e-3)
    assert cut.cut_at_end
    inside = IntervalSet([gap[0] + 1e-3], [gap[1]])
    assert not any(inside.meets(each.aos, each.los) for each in found.outlook.contacts)
    assert found.outlook.gaps == IntervalSet([gap[0]], [gap[1]])
    assert found.outlook.span == SPAN
    assert found.outlook.problem is None
    assert not found.outlook.services["telemetry"]["House"].possible & inside


def test_a_step_that_runs_out_in_a_gap_is_neither_served_nor_called_unserved() -> None:
    gap = (NOW + 20_000.0, NOW + 30_000.0)
    target = Target("Lantern 3", ephemeris=table((SPAN[0], gap[0]), (gap[1], SPAN[1])))
    step = verdict(with_step(target, NOW + 25_000.0, before_s=30.0, after_s=60.0))
    assert step.coverage is Covered.AT_RISK
    assert step.in_view_probability is None
    assert step.cause is not None
    assert step.cause.lacks == ("prediction gap",)
    assert (step.cause.until, step.cause.since) == pytest.approx(gap)


def test_where_an_ephemeris_ends_the_prediction_ends() -> None:
    ends = NOW + 40_000.0
    target = Target("Lantern 3", ephemeris=table((NOW - 7200.0, ends)))
    found = predict_target(target, STATIONS, SPAN, NOW)
    assert found.outlook.span == (SPAN[0], ends)
    assert found.reaches == SPAN
    assert found.outlook.problem is None
    step = verdict(with_step(target, ends + 3600.0))
    assert step.coverage is Covered.AT_RISK
    assert step.cause is not None
    assert step.cause.lacks == ("prediction end",)
    assert step.cause.until == pytest.approx(ends)


def test_an_ephemeris_that_begins_later_leaves_a_gap_until_then() -> None:
    begins = NOW + 40_000.0
    target = Target("Lantern 3", ephemeris=table((begins, SPAN[1] + 60.0)))
    found = predict_target(target, STATIONS, SPAN, NOW)
    assert found.outlook.span == SPAN
    assert found.outlook.gaps == IntervalSet([SPAN[0]], [begins])
    assert all(each.aos >= begins for each in found.outlook.contacts)
    assert found.outlook.problem is None


def test_an_ephemeris_that_is_over_is_a_problem_that_says_when() -> None:
    over = Target("Lantern 3", ephemeris=table((NOW - 3000.0, NOW - 10.0)))
    problem = predict_target(over, STATIONS, SPAN, NOW).outlook.problem
    assert problem == f"nothing is known of its motion after {to_text(NOW - 10.0, 0)}"
    long_over = Target("Lantern 3", ephemeris=table((NOW - 9000.0, NOW - 8000.0)))
    found = predict_target(long_over, STATIONS, SPAN, NOW)
    assert found.outlook.contacts == ()
    assert found.outlook.problem is not None
    assert to_text(NOW - 9000.0, 0) in found.outlook.problem
    assert verdict(with_step(long_over, NOW + 100.0)).coverage is Covered.AT_RISK


def test_a_satellite_just_released_is_predicted_from_its_state_alone() -> None:
    # The carrier's navigation gives an Earth-fixed state at release.
    fixed = to_frame(state_at(EPOCH), "ITRF")
    released = state_from_cartesian("ITRF", EPOCH, *fixed)
    target = Target("Lantern 3", elements_source="a state", state=released)
    span = (NOW - 60.0, NOW + DAY_S / 2)
    found = predict_target(target, STATIONS, span, NOW)
    assert found.outlook.problem is None
    assert len(found.outlook.contacts) >= 3
    track = NumericalTrack("Lantern 3", released, (EPOCH, span[1] + 3600.0))
    for contact in found.outlook.contacts:
        station = next(each for each in STATIONS if each.name == contact.station)
        inside = np.arange(contact.aos + 0.05, contact.los - 0.05, 1.0)
        assert (clearance(track, station, inside) >= 0).all()
    by_elements = predict_target(PLAIN, STATIONS, span, NOW)
    # SGP4 leaves out most of the forces: a few kilometres in half a day.
    for (_, aos, _), (_, other, _) in zip(times(found), times(by_elements), strict=True):
        assert aos == pytest.approx(other, abs=5.0)


def test_a_state_that_comes_down_says_when() -> None:
    state = state_at(EPOCH)
    slow = replace(state, velocity_km_s=tuple(0.97 * part for part in state.velocity_km_s))
    found = predict_target(Target("Lantern 3", state=slow), STATIONS, SPAN, NOW)
    assert found.outlook.problem is not None
    assert "it comes down at 2026-03-01T00:" in found.outlook.problem


def test_a_state_too_old_to_propagate_is_a_problem() -> None:
    target = Target("Lantern 3", state=state_at(EPOCH))
    later = EPOCH + 70 * DAY_S
    problem = predict_target(target, STATIONS, (later, later + DAY_S), later).outlook.problem
    assert problem is not None
    assert f"its state of {to_text(EPOCH, 0)} is too old" in problem


PUSH = Manoeuvre(NOW + 10_000.0, (0.0, 8.0, 0.0), give_or_take_s=300.0, may_not_happen=True)
HALF_DAY = (NOW - 60.0, NOW + 43_200.0)


def test_a_planned_manoeuvre_opens_a_fan_of_coverage() -> None:
    target = replace(PLAIN, manoeuvres=(PUSH,))
    opens = PUSH.at - PUSH.give_or_take_s
    plain = predict_target(PLAIN, STATIONS, HALF_DAY, NOW).outlook.services["telemetry"]
    found = predict_target(target, STATIONS, HALF_DAY, NOW).outlook.services["telemetry"]
    for station in ("House", "Far"):
        before, coverage = plain[station].nominal, found[station]
        early = coverage.nominal.clip(HALF_DAY[0], opens)
        assert early.starts == pytest.approx(before.clip(HALF_DAY[0], opens).starts, abs=0.02)
        assert coverage.certain.clip(HALF_DAY[0], opens) == early
        assert coverage.possible.clip(HALF_DAY[0], opens) == early
        late = IntervalSet([opens], [HALF_DAY[1]])
        assert (coverage.certain & late).total_s < (coverage.nominal & late).total_s
        assert (coverage.possible & late).total_s > (coverage.nominal & late).total_s
        # It may not happen at all: then the old path holds, and it must be counted in.
        assert (before & late) - coverage.possible.grow(0.05, 0.05) == IntervalSet()


def test_coverage_is_certain_only_where_every_outcome_covers_it() -> None:
    target = replace(PLAIN, manoeuvres=(PUSH,))
    fan = target.fan(NOW, HALF_DAY)
    assert fan is not None
    assert [name for name, _ in fan.members] == ["as planned", "early", "late", "not happening"]
    found = predict_target(target, STATIONS, HALF_DAY, NOW).outlook.services["telemetry"]["House"]
    at = np.arange(*HALF_DAY, 20.0)
    seen = np.array([clearance(track, HOUSE, at) > 0 for _, track in fan.members])
    near = np.array([np.abs(clearance(track, HOUSE, at)) < 0.05 for _, track in fan.members])
    clear = ~near.any(axis=0)
    assert (found.certain.holds(at) == seen.all(axis=0))[clear].all()
    assert found.possible.holds(at)[clear & seen.any(axis=0)].all()


def test_every_contact_that_some_outcome_brings_is_among_the_open_ones() -> None:
    target = replace(PLAIN, manoeuvres=(PUSH,))
    outlook = predict_target(target, STATIONS, HALF_DAY, NOW).outlook
    opens = PUSH.at - PUSH.give_or_take_s
    fan = target.fan(NOW, HALF_DAY)
    assert fan is not None
    for _, track in fan.members:
        for contact in predict([track], STATIONS, *HALF_DAY):
            seen = outlook.open_contacts[contact.station]
            assert seen.covers(contact.aos, contact.los) == (contact.los > opens)
    assert predict_target(PLAIN, STATIONS, HALF_DAY, NOW).outlook.open_contacts == {}


def test_a_step_after_an_uncertain_manoeuvre_is_at_risk_because_of_it() -> None:
    contacts = predict_target(PLAIN, STATIONS, HALF_DAY, NOW).outlook.contacts
    last = contacts[-1]
    assert last.aos > PUSH.at + 10_000.0
    edge = last.aos + 60.0
    assert verdict(with_step(PLAIN, edge), HALF_DAY).coverage is Covered.COVERED
    doubtful = verdict(with_step(replace(PLAIN, manoeuvres=(PUSH,)), edge), HALF_DAY)
    assert doubtful.coverage is Covered.AT_RISK
    assert doubtful.cause is not None
    assert "manoeuvre" in doubtful.cause.lacks
    assert "orbit error" not in doubtful.cause.lacks


def test_it_is_known_from_when_on_a_manoeuvre_leaves_things_open() -> None:
    sure = replace(PUSH, give_or_take_s=0.0, may_not_happen=False, at=NOW + 100.0)
    target = replace(PLAIN, manoeuvres=(sure, PUSH))
    assert target.uncertain_from(NOW, HALF_DAY) == PUSH.at - 300.0
    assert target.uncertain_from(NOW, (NOW, NOW + 1000.0)) is None
    assert PLAIN.uncertain_from(NOW, HALF_DAY) is None
    assert replace(target, elements=()).uncertain_from(NOW, HALF_DAY) is None


def test_a_manoeuvre_that_is_over_changes_nothing_any_more() -> None:
    # Elements of after it have it in them.
    old = replace(PUSH, at=EPOCH - 100.0)
    assert times(predict_target(replace(PLAIN, manoeuvres=(old,)), STATIONS, HALF_DAY, NOW)) == (
        times(predict_target(PLAIN, STATIONS, HALF_DAY, NOW))
    )


def test_elevations_that_steps_ask_for_follow_the_fan() -> None:
    target = with_step(replace(PLAIN, manoeuvres=(PUSH,)), NOW + 20_000.0, least_elevation_deg=20)
    above = predict_target(target, STATIONS, HALF_DAY, NOW).conditions.of(
        LeastElevation(20), "House"
    )
    assert above is not None
    opens = PUSH.at - PUSH.give_or_take_s
    late = IntervalSet([opens], [HALF_DAY[1]])
    assert (above.possible & late).total_s > (above.nominal & late).total_s
    assert above.nominal - above.possible == IntervalSet()
    assert above.certain - above.nominal == IntervalSet()


def test_outages_stay_out_of_every_outcome() -> None:
    target = replace(PLAIN, manoeuvres=(PUSH,))
    contact = predict_target(PLAIN, [HOUSE], HALF_DAY, NOW).outlook.contacts[-1]
    out = IntervalSet([contact.aos + 100.0], [contact.los - 100.0])
    station = replace(HOUSE, outages=out)
    found = predict_target(target, [station], HALF_DAY, NOW).outlook.services["telemetry"]
    assert not found["House"].possible & out


def test_a_service_that_needs_a_link_has_it_only_near_enough() -> None:
    station = replace(HOUSE, services={"telemetry": ServiceTerms(link="down")})
    # Isotropic at both ends, so that the margin goes with range alone: 0 dB at 1,200 km.
    free = Link("down", Direction.DOWN, 2.2e9, bit_rate_bps=1e4, required_margin_db=0.0)
    loss_db = 20 * math.log10(4 * math.pi * 1200.0 * 2.2e9 / 299_792.458)
    noise_db = -228.59916717 + 10 * math.log10(290.0) + 40.0
    link = replace(free, power_dbw=loss_db + noise_db + free.required_eb_n0_db)
    target = replace(PLAIN, links=(link,))
    found = predict_target(target, [station], SPAN, NOW)
    coverage = found.outlook.services["telemetry"]["House"].nominal
    assert coverage
    at = np.arange(*SPAN, 5.0)
    track = Sgp4Track(ELEMENTS)
    from contactd.core.ground.sight import sight

    seen = sight(track, station, at)
    near = (seen.range_km < 1200.0) & (seen.elevation_deg > 5.0)
    sure = (np.abs(seen.range_km - 1200.0) > 2.0) & (np.abs(seen.elevation_deg - 5.0) > 0.05)
    assert (coverage.holds(at) == near)[sure].all()
    assert times(found) == times(predict_target(PLAIN, [station], SPAN, NOW))


def test_a_target_of_which_nothing_is_known_says_so() -> None:
    found = predict_target(Target("Lantern 3"), STATIONS, SPAN, NOW)
    assert found.outlook.problem == "there are no elements of it yet"
    assert found.reaches == SPAN


def test_light_time_is_bounded_by_the_farthest_place_in_view() -> None:
    span = (NOW - 60.0, NOW + 10_000.0)
    for target in (PLAIN, Target("L", ephemeris=table((span[0] - 60.0, span[1] + 60.0)))):
        found = predict_target(target, STATIONS, span, NOW)
        # Source: slant range at the horizon of an orbit at h = 600 km, SMAD ch. 5 (geometry).
        apogee_km = 6978.0 * 1.001
        expected_s = math.sqrt(apogee_km**2 - 6378.1**2) / 299_792.458
        assert found.light_time_s == pytest.approx(expected_s, rel=0.08)
        farthest = max(float(np.linalg.norm(each.tca_range_km)) for each in found.outlook.contacts)
        assert found.light_time_s > farthest / 299_792.458


def test_of_several_sets_the_nearest_in_epoch_is_what_a_prediction_rests_on() -> None:
    newer = invented(epoch=EPOCH + DAY_S, mean_anomaly_deg=20.0)
    target = replace(PLAIN, elements=(ELEMENTS, newer))
    early = predict_target(target, STATIONS, SPAN, NOW)
    late = predict_target(target, STATIONS, SPAN, NOW + DAY_S)
    assert early.motion is not None
    assert late.motion is not None
    assert early.motion.elements == (ELEMENTS,)
    assert late.motion.elements == (newer,)
    assert not early.motion.moves_as(late.motion)
    assert early.motion.moves_as(predict_target(PLAIN, STATIONS, SPAN, NOW).motion)
    assert times(early) == times(predict_target(PLAIN, STATIONS, SPAN, NOW))


def test_a_target_that_differs_in_its_manoeuvres_moves_otherwise() -> None:
    assert not PLAIN.moves_as(replace(PLAIN, manoeuvres=(PUSH,)))
    assert PLAIN.moves_as(replace(PLAIN, stated_error=OrbitError(1.0)))
    one = Target("L", ephemeris=table(SPAN))
    assert one.moves_as(Target("L", ephemeris=table(SPAN)))
    assert not one.moves_as(Target("L", ephemeris=table((SPAN[0], SPAN[1] - 60.0))))


def test_contacts_are_those_of_the_manoeuvre_as_planned() -> None:
    target = replace(PLAIN, manoeuvres=(PUSH,))
    track = target.track(NOW, HALF_DAY)
    assert track is not None
    expected = [(c.station, c.aos, c.los) for c in predict([track], STATIONS, *HALF_DAY)]
    assert times(predict_target(target, STATIONS, HALF_DAY, NOW)) == expected


def test_whoever_looks_back_as_far_judges_what_has_expired_alike() -> None:
    expired = with_step(PLAIN, NOW - 7200.0)

    def coverage(reaches_back_s: float, looks_back_s: float) -> Covered | None:
        prediction = predict_target(expired, STATIONS, (NOW - reaches_back_s, NOW + 3600.0), NOW)
        back_to = NOW - looks_back_s
        (found,) = forecast_target(expired, prediction, {}, NOW, looked_back_to=back_to).forecasts
        return found.steps[0].coverage

    assert coverage(4 * 3600.0, 3600.0) is coverage(3600.0, 3600.0) is Covered.AT_RISK
    assert coverage(4 * 3600.0, 3 * 3600.0) is coverage(3 * 3600.0, 3 * 3600.0)
    assert coverage(4 * 3600.0, 3 * 3600.0) is not Covered.AT_RISK


def test_a_forecast_is_made_anew_once_what_expired_is_no_longer_looked_back_on() -> None:
    expired = with_step(PLAIN, NOW - 600.0, before_s=30.0)
    prediction = predict_target(expired, STATIONS, SPAN, NOW)
    outlook = forecast_target(expired, prediction, {}, NOW)
    assert next_turn(outlook, NOW, 3600.0) == NOW - 640.0 - 30.0 + 3600.0
