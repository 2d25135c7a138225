"""Planned manoeuvres and the fan of what may come of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit import parse_omm
from contactd.core.orbit.forces import Forces
from contactd.core.orbit.manoeuvres import Manoeuvre, fan, fan_coverage, manoeuvred
from contactd.core.orbit.oem import parse_oem
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import StateVector, kepler_from_state

DATA = Path(__file__).parents[2] / "reference" / "data"
(ELEMENTS,) = parse_omm((DATA / "S03.omm").read_text())
BASE = Sgp4Track(ELEMENTS)
AT = ELEMENTS.epoch + 3000.0
UNTIL = AT + 40_000.0
POINT = Forces(gravity_degree=0, drag=False, sun=False, moon=False)


def state_at(track: object, instant: float) -> StateVector:
    position, velocity = track.states(np.array([instant]))  # type: ignore[attr-defined]
    return StateVector(instant, tuple(position[0]), tuple(velocity[0]))


def test_before_the_manoeuvre_nothing_changes_and_at_it_only_the_velocity() -> None:
    track = manoeuvred(BASE, [Manoeuvre(AT, (0.0, 5.0, 0.0))], UNTIL)
    before = np.array([AT - 1000.0, AT - 1e-3])
    assert np.array_equal(track.states(before)[0], BASE.states(before)[0])
    old, new = state_at(BASE, AT), state_at(track, AT)
    assert new.position_km == pytest.approx(old.position_km, abs=1e-9)
    change = 1000 * (np.array(new.velocity_km_s) - np.array(old.velocity_km_s))
    assert np.linalg.norm(change) == pytest.approx(5.0, abs=1e-6)
    assert change @ np.array(old.velocity_km_s) > 0
    assert len(track.validity) == 1
    assert track.validity.starts[0] == BASE.validity.starts[0]
    assert track.validity.ends[0] >= UNTIL


def test_a_push_ahead_lifts_the_orbit_as_the_vis_viva_equation_says() -> None:
    # Source: vis-viva: da = 2 a^2 v dv / mu for a push along the velocity.
    track = manoeuvred(BASE, [Manoeuvre(AT, (2.0, 0.0, 0.0), "TNW")], UNTIL, forces=POINT)
    old, new = (kepler_from_state(state_at(each, AT)) for each in (BASE, track))
    speed = np.linalg.norm(state_at(BASE, AT).velocity_km_s)
    expected = 2 * old.semi_major_axis_km**2 * speed * 0.002 / 398600.4418
    assert new.semi_major_axis_km - old.semi_major_axis_km == pytest.approx(expected, rel=2e-3)


def test_a_push_across_at_the_node_tilts_the_orbit() -> None:
    # Source: a change of plane of dv / v at a node.
    track = manoeuvred(BASE, [Manoeuvre(AT, (0.0, 0.0, 20.0))], UNTIL, forces=POINT)
    old, new = (state_at(each, AT) for each in (BASE, track))
    poles = [np.cross(each.position_km, each.velocity_km_s) for each in (old, new)]
    poles = [pole / np.linalg.norm(pole) for pole in poles]
    turned = np.arccos(poles[0] @ poles[1])
    across = np.cross(old.position_km, old.velocity_km_s) / np.linalg.norm(old.position_km)
    assert turned == pytest.approx(0.020 / np.linalg.norm(across), rel=1e-3)


def test_a_push_in_an_inertial_frame_keeps_its_direction() -> None:
    from contactd.core.orbit.inertial import inertial_to_teme

    track = manoeuvred(BASE, [Manoeuvre(AT, (1.0, -2.0, 3.0), "EME2000")], UNTIL)
    change = np.array(state_at(track, AT).velocity_km_s) - np.array(
        state_at(BASE, AT).velocity_km_s
    )
    expected = inertial_to_teme("EME2000", np.array([AT]))[0] @ [1.0, -2.0, 3.0]
    assert change * 1000 == pytest.approx(expected, abs=1e-7)


def test_several_manoeuvres_follow_each_other_whatever_their_order() -> None:
    first, second = Manoeuvre(AT, (0.0, 3.0, 0.0)), Manoeuvre(AT + 3000, (0.0, -3.0, 0.0))
    track = manoeuvred(BASE, [second, first], UNTIL)
    only = manoeuvred(BASE, [first], UNTIL)
    at = np.array([AT + 2000.0])
    assert track.states(at)[0] == pytest.approx(only.states(at)[0], abs=1e-6)
    later = np.array([AT + 6000.0])
    assert np.linalg.norm(track.states(later)[0] - only.states(later)[0]) > 1.0


def test_without_manoeuvres_the_track_is_the_base() -> None:
    assert manoeuvred(BASE, [], UNTIL) is BASE
    assert fan(BASE, [], UNTIL).nominal is BASE


def test_a_manoeuvre_where_the_track_has_no_state_is_refused() -> None:
    ephemeris = parse_oem((DATA / "S03.oem").read_text())
    outside = Manoeuvre(ephemeris.validity.ends[0] + 10.0, (1.0, 0.0, 0.0))
    with pytest.raises(ValueError, match="no state"):
        manoeuvred(ephemeris, [outside], UNTIL)


def test_too_many_manoeuvres_and_too_many_corners_are_refused() -> None:
    loose = Manoeuvre(AT, (1.0, 0.0, 0.0), "RTN", 10.0, 0.1, True)
    with pytest.raises(ValueError, match="at most 6"):
        manoeuvred(BASE, [loose] * 7, UNTIL)
    with pytest.raises(ValueError, match="216 combinations"):
        fan(BASE, [loose] * 3, UNTIL)


def test_a_fan_has_a_member_for_each_corner_of_the_bounds() -> None:
    loose = Manoeuvre(AT, (0.0, 5.0, 0.0), "RTN", 60.0, 0.1, may_not_happen=True)
    found = fan(BASE, [loose], UNTIL)
    assert [name for name, _ in found.members] == [
        "as planned",
        "early and weak",
        "early and strong",
        "late and weak",
        "late and strong",
        "not happening",
    ]
    assert found.members[0][1] is found.nominal
    assert found.members[-1][1] is BASE
    assert found.opens == AT - 60.0
    assert fan(BASE, [Manoeuvre(AT, (0.0, 5.0, 0.0))], UNTIL).opens == np.inf


def test_the_planned_path_lies_between_the_corners_along_the_track() -> None:
    loose = Manoeuvre(AT, (0.0, 5.0, 0.0), "RTN", 60.0, 0.1)
    found = fan(BASE, [loose], UNTIL)
    at = np.array([UNTIL - 1000.0])
    position, velocity = found.nominal.states(at)
    ahead = velocity[0] / np.linalg.norm(velocity[0])
    places = [float((track.states(at)[0][0] - position[0]) @ ahead) for _, track in found.members]
    assert min(places) < -10.0
    assert max(places) > 10.0
    assert places[0] == 0.0


def test_certain_is_what_all_share_and_possible_what_lies_between_them() -> None:
    nominal = IntervalSet([100, 6000], [700, 6600])
    early = IntervalSet([60, 5900], [650, 6480])
    late = IntervalSet([150, 6120, 12000], [760, 6700, 12100])
    found = fan_coverage([nominal, early, late], 2900.0)
    assert found.nominal == nominal
    assert found.certain == IntervalSet([150, 6120], [650, 6480])
    assert found.possible == IntervalSet([60, 5900, 12000], [760, 6700, 12100])


def test_contacts_that_no_longer_overlap_leave_nothing_certain_and_no_hole() -> None:
    # The contact may come anywhere between an early and a late one, not only in one of them.
    found = fan_coverage(
        [IntervalSet([1000], [1500]), IntervalSet([200], [700]), IntervalSet([1900], [2400])],
        2900.0,
    )
    assert found.certain == EMPTY
    assert found.possible == IntervalSet([200], [2400])


def test_a_contact_that_may_not_come_is_not_certain() -> None:
    found = fan_coverage([IntervalSet([100], [700]), EMPTY], 2900.0)
    assert found.certain == EMPTY
    assert found.possible == IntervalSet([100], [700])
    assert fan_coverage([], 1.0).possible == EMPTY
