"""Satellites without element sets, and with manoeuvres ahead, under the running service."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from orbits import geostationary, invented
from scene import LONGITUDE_DEG, STARTED_BEFORE_S, Scene, now, step
from waiting import wait_for

from contactd.config import load
from contactd.core import instants
from contactd.core import record as kinds
from contactd.core.contacts.prediction import predict
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.ephemeris import EphemerisTrack, Segment
from contactd.core.orbit.frames import greenwich_mean_sidereal_angle
from contactd.core.orbit.numerical import NumericalTrack
from contactd.core.orbit.oem import format_oem
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.states import StateVector, to_frame
from contactd.core.orbit.tle import format_tle
from contactd.core.planning import predict_target
from contactd.records import Ledger

pytestmark = pytest.mark.process

SHORT = {"horizon": {"ahead": "1d", "back": "0s"}}


def sequence(laid: float, *steps: dict[str, Any]) -> list[dict[str, Any]]:
    started = instants.to_text(laid - STARTED_BEFORE_S)
    start = {"status": "observed", "at": started}
    return [{"name": "wake-up", "start": start, "steps": list(steps)}]


def told(webhook: Any, kind: str) -> Callable[[], dict[str, Any] | None]:
    """Finds the first alert of a kind that arrived."""

    def look() -> dict[str, Any] | None:
        return next(
            (
                alert
                for each in webhook.accepted()
                for alert in each.body["alerts"]
                if alert["kind"] == kind
            ),
            None,
        )

    return look


def over_the_station(laid: float) -> float:
    """A node (deg) that has the orbit pass over the station alike at whatever time of day."""
    angle = float(greenwich_mean_sidereal_angle(np.array([laid]))[0][0])
    return (math.degrees(angle) + 210.0) % 360.0


def desk(webhook: Any) -> list[dict[str, Any]]:
    return [{"kind": "webhook", "name": "desk", "url": webhook.url}]


def test_a_satellite_released_from_its_carrier_is_watched_by_its_state_alone(
    lay_scene, start_daemon
):
    scene: Scene = lay_scene(**SHORT)
    released = instants.from_text(instants.to_text(now() - 600.0))
    around = over_the_station(released)
    carrier = Sgp4Track(invented(epoch=released, inclination_deg=20.0, raan_deg=around))
    position, velocity = carrier.states(np.array([released]))
    state = StateVector(released, tuple(position[0].tolist()), tuple(velocity[0].tolist()))
    place, speed = to_frame(state, "ITRF")
    scene.write(
        "targets/foundling.yaml",
        {
            "name": "Foundling",
            "elements": {
                "state": {
                    "epoch": instants.to_text(released),
                    "frame": "ITRF",
                    "position_km": [round(part, 6) for part in place],
                    "velocity_km_s": [round(part, 9) for part in speed],
                }
            },
            "spacecraft": {"mass_kg": 12, "drag_area_m2": 0.1},
        },
    )
    daemon = start_daemon(scene)
    told_of = daemon.get("/api/v1/contacts").json()
    items = told_of["items"] if isinstance(told_of, dict) else told_of
    assert items

    configuration = load(scene.config)
    target = configuration.targets["Foundling"]
    assert target.state is not None
    track = NumericalTrack(
        "Foundling", target.state, (released, released + 1.1 * instants.DAY_S), target.spacecraft
    )
    stations = list(configuration.stations.values())
    expected = [
        each
        for each in predict([track], stations, released, released + instants.DAY_S)
        if each.aos > released + 1200.0
    ][:5]
    assert len(expected) == 5
    for contact in expected:
        nearest = min(abs(instants.from_text(each["aos"]) - contact.aos) for each in items)
        assert nearest < 0.05

    ground = daemon.get("/api/v1/ground?target=Foundling")
    assert ground.status_code == 200
    assert all(each is not None for each in ground.json()["latitude_deg"])
    first = expected[0]
    query = f"target=Foundling&station={first.station}&at={instants.to_text(first.tca)}"
    assert daemon.get(f"/api/v1/sky?{query}").status_code == 200
    profiles = daemon.get("/api/v1/profiles?target=Foundling").json()["profiles"]
    assert all(max(each["elevations"]) > 0 for each in profiles)
    assert daemon.get("/api/v1/light").json()["shadow"]["Foundling"]

    daemon.stop()
    with Ledger.open(configuration.store_url) as ledger:
        (record,) = [each for each in ledger.records() if each.kind == kinds.ELEMENTS_ADOPTED]
    assert record.subject == "Foundling"
    assert record.body["source"] == "the target's file"
    assert record.body["epochs"] == [instants.to_text(released, 6)]
    assert record.body["digest"] == target.orbit.digest()
    assert "CCSDS_OPM_VERS" in record.body["opm"]


def test_no_contact_is_predicted_across_a_gap_of_an_ephemeris_and_that_is_told(
    lay_scene, start_daemon, webhook
):
    scene: Scene = lay_scene(channels=desk(webhook), **SHORT)
    laid = round(now())
    # It hangs over its station: without the gap it would be in view for all of the time.
    elements = geostationary(LONGITUDE_DEG, epoch=laid - 60.0)
    gap = (laid + 3600.0, laid + 10_800.0)
    segments = []
    for start, end in ((laid - 3600.0, gap[0]), (gap[1], laid + 1.2 * instants.DAY_S)):
        at = np.append(np.arange(start, end, 300.0), end)
        segments.append(Segment(at, *Sgp4Track(elements).states(at), (start, end)))
    track = EphemerisTrack("HOLLOW LANTERN", tuple(segments))
    oem = format_oem(track, segments[0].usable[0], segments[1].usable[1], 300.0)
    scene.write("targets/hollow-lantern.oem", oem)
    scene.write(
        "targets/hollow-lantern.yaml",
        {
            "name": "Hollow Lantern",
            "elements": {"oem": "hollow-lantern.oem"},
            "sequences": sequence(
                laid, step("receiver on", in_s=1800.0), step("beacon on", in_s=7200.0)
            ),
        },
    )
    daemon = start_daemon(scene)
    alert = wait_for(told(webhook, "prediction-gap"), "the caution about the gap")
    assert alert["severity"] == "caution"
    assert alert["target"] == "Hollow Lantern"
    assert "no prediction" in alert["what"]
    assert abs(instants.from_text(alert["facts"]["from"]) - gap[0]) < 0.01
    assert abs(instants.from_text(alert["facts"]["to"]) - gap[1]) < 0.01

    answer = daemon.get("/api/v1/contacts").json()
    items = answer["items"] if isinstance(answer, dict) else answer
    found = [(instants.from_text(each["aos"]), instants.from_text(each["los"])) for each in items]
    assert len(found) == 2
    assert not IntervalSet.of(found) & IntervalSet([gap[0] + 0.01], [gap[1] - 0.01])
    (shown,) = daemon.get("/api/v1/now").json()["targets"][0]["gaps"]
    assert instants.from_text(shown["from"]) == pytest.approx(gap[0], abs=0.01)
    (drawn,) = daemon.get("/api/v1/timeline").json()["targets"]
    assert drawn["gaps"] == pytest.approx([1e3 * instants.to_unix(each) for each in gap], abs=10)

    def covered(name: str, how: str) -> float | None:
        return daemon.metric("contactd_step_coverage", step=name, coverage=how)

    assert covered("receiver on", "covered") == 1
    assert covered("beacon on", "at risk") == 1
    risk = wait_for(told(webhook, "step-at-risk"), "the alert about the step in the gap")
    assert "so whether it is covered is open" in str(risk)


def test_a_step_beyond_a_manoeuvre_that_may_go_otherwise_is_at_risk_because_of_it(
    lay_scene, start_daemon, webhook
):
    scene: Scene = lay_scene(channels=desk(webhook), **SHORT)
    laid = now()
    elements = invented(epoch=laid - 3600.0, inclination_deg=20.0, raan_deg=over_the_station(laid))
    target: dict[str, Any] = {
        "name": "Restless Lantern",
        "elements": {"tle": "\n".join(format_tle(elements))},
        "manoeuvres": [
            {
                "at": instants.to_text(laid + 9000.0),
                "delta_v_m_s": [0, 8, 0],
                "give_or_take": "5min",
                "magnitude_error_percent": 5,
                "may_not_happen": True,
            }
        ],
    }
    scene.write("targets/restless-lantern.yaml", target)
    configuration = load(scene.config)
    known = configuration.targets["Restless Lantern"]
    stations = list(configuration.stations.values())
    span = (laid, laid + instants.DAY_S)
    coverage = predict_target(known, stations, span, laid).outlook.services["telemetry"]
    over = coverage["Under Point"]
    doubtful = (over.nominal - over.certain).clip(laid + 40_000.0, span[1]).longer_than(60.0)
    assert doubtful
    sure = over.certain.clip(laid + 600.0, laid + 8000.0).longer_than(60.0)
    assert sure
    middle = [0.5 * (each.starts[0] + each.ends[0]) - laid for each in (sure, doubtful)]
    target["sequences"] = sequence(
        laid, step("receiver on", in_s=middle[0]), step("beacon on", in_s=middle[1])
    )
    scene.write("targets/restless-lantern.yaml", target)
    daemon = start_daemon(scene)
    covered = {"target": "Restless Lantern", "step": "receiver on", "coverage": "covered"}
    assert daemon.metric("contactd_step_coverage", **covered) == 1
    risk = wait_for(told(webhook, "step-at-risk"), "the alert about the step after the manoeuvre")
    assert risk["subject"].endswith("beacon on")
    assert "covered only for some outcomes of a planned manoeuvre" in str(risk)
    at_risk = {"target": "Restless Lantern", "step": "beacon on", "coverage": "at risk"}
    assert daemon.metric("contactd_step_coverage", **at_risk) == 1
    (shown,) = daemon.get("/api/v1/now").json()["targets"]
    hulls = shown["maybe_in_view"]
    assert all(instants.from_text(each["to"]) > laid + 8700.0 for each in hulls)
    assert any(
        instants.from_text(each["from"]) <= laid + middle[1] <= instants.from_text(each["to"])
        for each in hulls
    )
    (drawn,) = daemon.get("/api/v1/timeline").json()["targets"]
    assert sum(len(each["maybe"]) for each in drawn["stations"]) == 2 * len(hulls)
