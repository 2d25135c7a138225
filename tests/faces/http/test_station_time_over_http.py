"""Shared station time through the interface, over the daemon on a simulated clock."""

from __future__ import annotations

import httpx
import pytest
from orbits import geostationary
from scene import LONGITUDE_DEG, Scene
from watch import Watch

from contactd.core.instants import from_text
from contactd.core.orbit.tle import format_tle
from contactd.faces.http import build_app
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock
from contactd.service.view import DaemonView

NOW = from_text("2026-11-25T09:00:00Z")
SETTINGS = {"alerts": {"contact_lead": []}, "horizon": {"ahead": "12h", "back": "0s"}}


def put(scene: Scene, name: str, **asks: object) -> None:
    """A satellite that hangs over the station for ever."""
    elements = {"tle": "\n".join(format_tle(geostationary(LONGITUDE_DEG, epoch=NOW - 60.0)))}
    content = {"name": name, "elements": elements, **({"station_time": asks} if asks else {})}
    scene.write(f"targets/{name.lower().replace(' ', '-')}.yaml", content)


async def client(scene: Scene) -> tuple[httpx.AsyncClient, Watch]:
    from prometheus_client import CollectorRegistry

    watch = Watch(scene.config, SimulatedClock(NOW))
    await watch.begin()
    ledger = Ledger.open(watch.daemon.state.configuration.store_url)
    view = DaemonView(watch.daemon, CollectorRegistry(), ledger)
    transport = httpx.ASGITransport(build_app(view), client=("127.0.0.1", 50_000))
    return httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1/api/v1"), watch


@pytest.mark.parametrize("shares", [True, False])
async def test_grants_and_what_was_lost_are_given_where_time_is_shared(
    tmp_path, shares: bool
) -> None:
    scene = Scene(tmp_path, 1, {**SETTINGS, **({"station_time": {}} if shares else {})})
    asks = {"priority": 5, "count": 2, "most_duration": "1h", "least_duration": "1h"}
    put(scene, "Lantern 3", **(asks if shares else {}))
    put(scene, "Pale Heron")
    asked, watch = await client(scene)
    told = (await asked.get("/station-time", params={"why": True})).json()
    if not shares:
        assert told is None
    else:
        # In contacts of half a day not every start is looked at: nothing is called proved.
        assert told["proved_best"] is False
        [contacts] = [each for each in told["tiers"] if each["counts"] == "contacts"]
        assert (contacts["points"], contacts["at_most"]) == (21, 23)
        assert {each["target"] for each in told["grants"]} == {"Lantern 3", "Pale Heron"}
        (short,) = told["short"]
        assert short["because"].startswith("lost to Lantern 3")
        assert short["lost"][0]["lost_to"][0]["target"] == "Lantern 3"
        mine = (await asked.get("/station-time", params={"target": "Lantern 3"})).json()
        assert {each["target"] for each in mine["grants"]} == {"Lantern 3"}
    wrong = await asked.get("/station-time", params={"station": "Nowhere"})
    assert wrong.status_code == 404
    await asked.aclose()
    await watch.end()
