"""Contacts of ephemerides and numerically propagated states, beside those of the elements."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from contactd.core.contacts.prediction import predict
from contactd.core.ground.station import Station
from contactd.core.instants import from_text
from contactd.core.intervals import IntervalSet
from contactd.core.orbit import parse_omm
from contactd.core.orbit.ephemeris import EphemerisTrack
from contactd.core.orbit.forces import Forces
from contactd.core.orbit.manoeuvres import Manoeuvre, fan, fan_coverage
from contactd.core.orbit.numerical import NumericalTrack
from contactd.core.orbit.oem import format_oem, parse_oem
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import StateVector
from contactd.core.orbit.track import Track

DATA = Path(__file__).parent / "data"
(MEAN,) = parse_omm((DATA / "S03.omm").read_text())
START = from_text("2024-03-09T00:00:00Z")
END = START + 86_400.0
STATIONS = (
    Station("north", 69.6, 19.0, 100.0, 5.0),
    Station("middle", 47.3, 8.5, 450.0, 5.0),
    Station("south", -33.0, 151.0, 20.0, 5.0, mask=((0, 12), (90, 4), (180, 8), (270, 20))),
)


def contacts(track: Track, station: str | None = None) -> IntervalSet:
    found = predict([track], STATIONS, START, END)
    return IntervalSet.of((each.aos, each.los) for each in found if station in (None, each.station))


@pytest.mark.parametrize("frame", ["EME2000", "ITRF", "TEME"])
@pytest.mark.parametrize("step_s", [30.0, 60.0, 120.0])
def test_an_ephemeris_made_of_elements_has_the_elements_contacts(frame: str, step_s: float) -> None:
    # Source: the elements' own contacts; Hermite's polynomials of degree 7 stay within metres.
    sgp4 = Sgp4Track(MEAN)
    track = parse_oem(format_oem(sgp4, START - 600, END + 600, step_s, frame=frame))
    for station in STATIONS:
        ours, theirs = contacts(track, station.name), contacts(sgp4, station.name)
        assert len(ours) == len(theirs) > 2
        assert np.abs(ours.starts - theirs.starts).max() < 0.02
        assert np.abs(ours.ends - theirs.ends).max() < 0.02


def test_no_contact_crosses_a_gap_of_the_ephemeris() -> None:
    sgp4 = Sgp4Track(MEAN)
    whole = contacts(sgp4, "north")
    # A gap from the middle of the third contact on, for an hour.
    begins = float(whole.starts[2] + whole.ends[2]) / 2
    gap = (begins, begins + 3600.0)
    pieces = [
        parse_oem(format_oem(sgp4, *span, 60.0)).segments[0]
        for span in ((START - 600, gap[0]), (gap[1], END + 600))
    ]
    track = EphemerisTrack(sgp4.name, tuple(pieces))
    found = contacts(track, "north")
    assert not found & IntervalSet([gap[0]], [gap[1]])
    expected = whole - IntervalSet([gap[0]], [gap[1]])
    assert len(found) == len(expected)
    assert np.abs(found.starts - expected.starts).max() < 0.02
    assert np.abs(found.ends - expected.ends).max() < 0.02


def test_a_state_propagated_for_a_day_has_the_elements_contacts_within_a_second() -> None:
    # Source: SGP4's contacts. Like is compared with like: SGP4 has the field's zonal terms only,
    # and so far both agree to 0.16 s; what turns with the Earth moves contacts by a second more.
    sgp4 = Sgp4Track(MEAN)
    position, velocity = sgp4.states(np.array([MEAN.epoch]))
    state = StateVector(MEAN.epoch, tuple(position[0]), tuple(velocity[0]))
    track = NumericalTrack("x", state, (START, END), forces=Forces(zonal_only=True))
    for station in STATIONS:
        ours, theirs = contacts(track, station.name), contacts(sgp4, station.name)
        assert len(ours) == len(theirs)
        assert np.abs(ours.starts - theirs.starts).max() < 0.3
        assert np.abs(ours.ends - theirs.ends).max() < 0.3


def test_contacts_after_a_loosely_known_manoeuvre_are_certain_in_part_and_possible_around() -> None:
    push = Manoeuvre(START + 4000.0, (0.0, 3.0, 0.0), "RTN", 120.0, 0.2, may_not_happen=True)
    base = Sgp4Track(replace(MEAN, name="Lantern 3"))
    found = fan(base, [push], END)
    half_period_s = 0.5 * 86_400.0 / MEAN.mean_motion_rev_per_day
    members = [contacts(track, "north") for _, track in found.members]
    coverage = fan_coverage(members, half_period_s)
    before = coverage.nominal.clip(START, found.opens)
    # Before the manoeuvre nothing is uncertain.
    assert coverage.certain.clip(START, found.opens) == before
    assert coverage.possible.clip(START, found.opens) == before
    # After it the fan widens: the certain part shrinks, the possible one grows.
    after = [each.clip(found.opens, END).total_s
             for each in (coverage.certain, coverage.nominal, coverage.possible)]  # fmt: skip
    assert after[0] < after[1] < after[2]
    for member in members:
        assert not coverage.certain - member
        assert not member - coverage.possible
