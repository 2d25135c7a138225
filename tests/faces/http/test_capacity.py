"""Readers beyond the service's capacity are told so at once; what matters more has room."""

from __future__ import annotations

import threading
from pathlib import Path

import anyio
import httpx
from prometheus_client import CollectorRegistry
from scene import Scene
from watch import Watch

from contactd.core.instants import from_text
from contactd.faces.http import AccessRules, build_app
from contactd.faces.http.capacity import MOST_READING
from contactd.faces.tokens import Role, new_token
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock
from contactd.service.view import DaemonView, Wanted

NOW = from_text("2026-11-25T09:00:00Z")
GENEROUS_S = 60.0


class Held(DaemonView):
    """The service's view, over a ledger that is slow to read until the test lets it go on."""

    go_on = threading.Event()

    def records(self, wanted: Wanted, limit: int):  # type: ignore[no-untyped-def]
        assert self.go_on.wait(GENEROUS_S)
        return super().records(wanted, limit)


async def test_readers_beyond_capacity_are_sent_away_at_once(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1)
    scene.write_target("Quiet Lantern")
    watch = Watch(scene.config, SimulatedClock(NOW))
    await watch.begin()
    secret, token = new_token("ada", Role.OPERATOR)
    ledger = Ledger.open(watch.daemon.state.configuration.store_url)
    view = Held(watch.daemon, CollectorRegistry(), ledger)
    app = build_app(view, lambda: AccessRules(tokens=(token,)))
    transport = httpx.ASGITransport(app, client=("127.0.0.1", 50_000))
    codes: list[int] = []
    async with httpx.AsyncClient(
        transport=transport,
        base_url="http://127.0.0.1",
        headers={"Authorization": f"Bearer {secret}"},
        timeout=GENEROUS_S,
    ) as client:

        async def read() -> None:
            codes.append((await client.get("/api/v1/records")).status_code)

        with anyio.fail_after(GENEROUS_S):
            async with anyio.create_task_group() as readers:
                for _ in range(MOST_READING + 5):
                    readers.start_soon(read)
                while len(codes) < 5:
                    await anyio.sleep(0)
                assert codes == [503] * 5
                refused = await client.get("/api/v1/now")
                assert (refused.status_code, refused.json()["code"]) == (503, "busy")
                assert refused.headers["Retry-After"] == "1"
                assert (await client.get("/health/live")).status_code == 200
                assert (await client.get("/metrics")).status_code == 200
                remark = {"enter": "remark", "target": "Quiet Lantern", "text": "quiet"}
                written = await client.post("/api/v1/records", json=remark)
                assert written.status_code == 201, written.text
                view.go_on.set()
    assert sorted(codes) == [200] * MOST_READING + [503] * 5
    ledger.close()
    await watch.end()
