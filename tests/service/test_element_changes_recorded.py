"""What the ledger keeps of how targets move, and what can be had back from it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from orbits import EPOCH, invented

from contactd.core.ground.station import ServiceTerms, Station
from contactd.core.instants import DAY_S, to_text
from contactd.core.orbit.ephemeris import EphemerisTrack, Segment
from contactd.core.orbit.manoeuvres import Manoeuvre
from contactd.core.orbit.oem import parse_oem
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import Spacecraft, StateVector
from contactd.core.planning import Target, predict_target
from contactd.core.record import Record
from contactd.service.element_changes import (
    change_between,
    elements_record,
    new_elements,
    recorded_motion,
)

OEM = (Path(__file__).parents[1] / "reference" / "data" / "S03.oem").read_text()
TRACK = Sgp4Track(invented())
_R, _V = TRACK.states(np.array([EPOCH]))
STATE = StateVector(EPOCH, tuple(_R[0].tolist()), tuple(_V[0].tolist()))
PUSH = Manoeuvre(EPOCH + 9000.0, (0.0, 3.0, 0.0), give_or_take_s=60.0, may_not_happen=True)
BY_SET = Target("Lantern 3", (invented(),), "a.tle")
BY_STATE = Target("Lantern 3", (), "the target's file", state=STATE, spacecraft=Spacecraft(12.0))
BY_TABLE = Target("Lantern 3", (), "l.oem", ephemeris=parse_oem(OEM))
HOUSE = Station("House", 47.0, 8.0, least_elevation_deg=5.0, services={"t": ServiceTerms()})


def stored(target: Target) -> Record:
    """The record of a target's elements, as it comes back from the ledger."""
    record = elements_record(EPOCH, target)
    return replace(record, body=json.loads(json.dumps(record.body)), number=7)


@pytest.mark.parametrize("target", [BY_SET, BY_STATE, BY_TABLE], ids=["set", "state", "table"])
def test_every_record_says_source_epoch_and_digest(target: Target) -> None:
    body = stored(target).body
    assert body["source"] == target.elements_source
    epoch = target.epoch(EPOCH)
    assert epoch is not None
    assert body["epochs"] == [to_text(epoch, 6)]
    assert body["digest"] == target.orbit.digest()


def test_of_an_ephemeris_the_record_says_until_when_and_not_all_its_states() -> None:
    body = stored(BY_TABLE).body
    assert body["until"] == "2024-03-09T00:50:00.000000Z"
    assert len(json.dumps(body)) < 500


def test_planned_manoeuvres_stand_in_the_record_with_their_bounds() -> None:
    body = stored(replace(BY_SET, manoeuvres=(PUSH,))).body
    assert body["manoeuvres"] == [
        {
            "at": to_text(PUSH.at, 6),
            "delta_v_m_s": [0.0, 3.0, 0.0],
            "frame": "RTN",
            "give_or_take_s": 60.0,
            "magnitude_error": 0.0,
            "may_not_happen": True,
        }
    ]


@pytest.mark.parametrize(
    "target",
    [BY_SET, BY_STATE, BY_TABLE, replace(BY_SET, manoeuvres=(PUSH,))],
    ids=["set", "state", "table", "manoeuvre"],
)
def test_what_the_ledger_knows_already_is_not_recorded_again(target: Target) -> None:
    known = {"Lantern 3": stored(target)}
    assert new_elements(EPOCH + 60.0, [target], known) == []
    assert recorded_motion(target, known["Lantern 3"], EPOCH) is None
    assert len(new_elements(EPOCH, [replace(target, elements_source="other")], known)) == 1
    assert new_elements(EPOCH, [Target("Lantern 3")], {}) == []


def test_an_earlier_set_and_an_earlier_state_come_back_from_their_records() -> None:
    later = replace(BY_SET, elements=(invented(mean_anomaly_deg=40.0),))
    motion = recorded_motion(later, stored(BY_SET), EPOCH)
    assert motion is not None
    at = np.array([EPOCH + 1000.0])
    span = (EPOCH, EPOCH + 5000.0)
    for known in (recorded_motion(later, stored(BY_STATE), EPOCH), motion):
        assert known is not None
        track = known.track(EPOCH, span)
        assert track is not None
        assert track.states(at)[0] == pytest.approx(TRACK.states(at)[0], abs=3.0)
    # An ephemeris is not kept, and a record of an unknown form is passed over.
    assert recorded_motion(later, stored(BY_TABLE), EPOCH) is None
    broken = replace(stored(BY_SET), body={"omm": "{", "digest": "x"})
    assert recorded_motion(later, broken, EPOCH) is None


def test_contacts_that_only_one_prediction_can_know_of_are_not_compared() -> None:
    span = (EPOCH, EPOCH + DAY_S)
    by_set = predict_target(BY_SET, [HOUSE], span, EPOCH)
    ahead = [each for each in by_set.outlook.contacts if each.aos > EPOCH]
    # The table ends in the middle of the third contact.
    ends = 0.5 * (ahead[2].aos + ahead[2].los)
    at = np.append(np.arange(EPOCH - 60.0, ends, 60.0), ends)
    segment = Segment(at, *TRACK.states(at), (EPOCH - 60.0, ends))
    table = Target("Lantern 3", (), "l.oem", ephemeris=EphemerisTrack("x", (segment,)))
    made = predict_target(table, [HOUSE], span, EPOCH)
    change = change_between(by_set.motion, made, [HOUSE], EPOCH)
    assert change is not None
    assert change.compared == 2
    assert change.vanished == 0
    assert change.furthest is not None
    assert abs(change.furthest.seconds) < 0.05
    assert not change.exceeds(1.0)
    assert (change.before.source, change.after.source) == ("a.tle", "l.oem")


def test_the_same_motion_is_no_change_and_an_unknown_one_cannot_be_compared() -> None:
    made = predict_target(BY_SET, [HOUSE], (EPOCH, EPOCH + DAY_S), EPOCH)
    assert change_between(None, made, [HOUSE], EPOCH) is None
    assert change_between(BY_SET.motion_at(EPOCH), made, [HOUSE], EPOCH) is None
    planned = replace(BY_SET, manoeuvres=(replace(PUSH, delta_v_m_s=(0.0, 20.0, 0.0)),))
    pushed = predict_target(planned, [HOUSE], (EPOCH, EPOCH + DAY_S), EPOCH)
    change = change_between(made.motion, pushed, [HOUSE], EPOCH)
    assert change is not None
    assert change.exceeds(60.0)
