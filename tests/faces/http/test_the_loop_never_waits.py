"""What computes runs beside the service's loop, never on it."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

import httpx
from orbits import geostationary
from prometheus_client import CollectorRegistry
from scene import LONGITUDE_DEG, Scene
from watch import Watch

from contactd.core.instants import from_text, to_text
from contactd.core.orbit.tle import format_tle
from contactd.faces.http import AccessRules, build_app
from contactd.faces.tokens import Role, new_token
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock
from contactd.service.view import DaemonView

NOW = from_text("2026-11-25T09:00:00Z")
GENEROUS_S = 60.0


class Held(DaemonView):
    """The service's view; a prediction for an entry waits until the test lets it go on."""

    began = threading.Event()
    go_on = threading.Event()

    def missed(self, target: str):  # type: ignore[no-untyped-def]
        self.began.set()
        assert self.go_on.wait(GENEROUS_S), "nobody let it go on: the loop stood still meanwhile"
        return super().missed(target)


async def test_a_prediction_for_an_entry_does_not_hold_the_loop(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1, {"alerts": {"contact_lead": []}})
    started = {"status": "observed", "at": to_text(NOW - 57 * 86_400.0)}
    step = {"name": "beacon on", "after": "start", "delay": "1h", "needs": {"service": "telemetry"}}
    elements = {"tle": "\n".join(format_tle(geostationary(LONGITUDE_DEG, epoch=NOW - 60.0)))}
    sequence = {"name": "wake-up", "start": started, "steps": [step]}
    content = {"name": "Lantern 3", "elements": elements, "sequences": [sequence]}
    scene.write("targets/lantern-3.yaml", content)
    watch = Watch(scene.config, SimulatedClock(NOW))
    await watch.begin()
    secret, token = new_token("ada", Role.OPERATOR)
    ledger = Ledger.open(watch.daemon.state.configuration.store_url)
    view = Held(watch.daemon, CollectorRegistry(), ledger)
    app = build_app(view, lambda: AccessRules(tokens=(token,)))
    entry = {
        "enter": "not-confirmed",
        "target": "Lantern 3",
        "sequence": "wake-up",
        "step": "beacon on",
        "from": to_text(NOW - 57 * 86_400.0),
        "to": to_text(NOW - 56 * 86_400.0),
    }
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app, client=("127.0.0.1", 50_000)),
        base_url="http://127.0.0.1/api/v1",
        headers={"Authorization": f"Bearer {secret}"},
    ) as client:
        answer = asyncio.ensure_future(client.post("/records", json=entry))
        assert await asyncio.to_thread(view.began.wait, GENEROUS_S)
        # The loop runs on: it beats, and it answers others.
        await watch.daemon.beat()
        assert (await client.get("/statements")).status_code == 200
        assert not answer.done()
        view.go_on.set()
        written = await answer
    assert written.status_code == 201, written.text
    assert written.json()["record"]["kind"] == "step-not-seen"
    await watch.end()
