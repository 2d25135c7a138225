"""Who may ask for what, from where and under which name, asked of the application itself."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import httpx
import pytest
from prometheus_client import CollectorRegistry
from scene import Scene
from watch import Watch

from contactd.core.instants import from_text
from contactd.faces.http import AccessRules, build_app
from contactd.faces.http.access import FAILURES_WITHIN_S, MOST_FAILURES, networks
from contactd.faces.tokens import Role, new_token
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock
from contactd.service.view import DaemonView

NOW = from_text("2026-11-25T09:00:00Z")
HERE, ELSEWHERE, OTHER = "127.0.0.1", "203.0.113.9", "203.0.113.10"
"""Addresses: the machine itself, and two of the block for documentation (RFC 5737)."""
SECRET, TOKEN = new_token("ada", Role.OPERATOR)
READ = (
    "/metrics",
    "/api/v1/openapi.json",
    "/api/v1/docs",
    "/api/v1/now",
    "/api/v1/problems/input",
)


@pytest.fixture
async def asking(tmp_path: Path):
    """A maker of clients of one application, by address and rules."""
    watch = Watch(Scene(tmp_path, 1).config, SimulatedClock(NOW))
    await watch.begin()
    ledger = Ledger.open(watch.daemon.state.configuration.store_url)
    view = DaemonView(watch.daemon, CollectorRegistry(), ledger)
    rules = [AccessRules(tokens=(TOKEN,))]
    app = build_app(view, lambda: rules[0])
    clients: list[httpx.AsyncClient] = []

    def client(address: str, given: AccessRules | None = None) -> httpx.AsyncClient:
        rules[0] = given or rules[0]
        transport = httpx.ASGITransport(app, client=(address, 50_000))
        clients.append(httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1"))
        return clients[-1]

    yield client
    for each in clients:
        await each.aclose()
    ledger.close()
    await watch.end()


Asking = Callable[..., httpx.AsyncClient]


def bearer(secret: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {secret}"}


@pytest.mark.parametrize("path", READ)
async def test_from_elsewhere_every_document_needs_a_token(asking: Asking, path: str) -> None:
    far = asking(ELSEWHERE)
    refused = await far.get(path)
    assert refused.status_code == 401, path
    assert refused.json()["code"] == "token-needed"
    assert (await far.get(path, headers=bearer(SECRET))).status_code == 200
    assert (await asking(HERE).get(path)).status_code == 200


@pytest.mark.parametrize("path", [*READ, "/", "/health/live", "/static/css/x.css", "/nothing"])
async def test_a_foreign_host_name_is_refused_everywhere(asking: Asking, path: str) -> None:
    answer = await asking(HERE).get(path, headers={"Host": "rebound.example"})
    assert answer.status_code == 421, path
    assert answer.json()["code"] == "wrong-host"


async def test_health_is_told_to_whoever_asks(asking: Asking) -> None:
    assert (await asking(ELSEWHERE).get("/health/live")).status_code in (200, 503)


async def test_scrapers_may_be_let_in_by_network_or_kept_to_tokens(asking: Asking) -> None:
    near = AccessRules(tokens=(TOKEN,), metrics_networks=networks(("203.0.113.8/30",)))
    assert (await asking(ELSEWHERE, near).get("/metrics")).status_code == 200
    assert (await asking("203.0.113.12").get("/metrics")).status_code == 401
    assert (await asking(ELSEWHERE).get("/api/v1/now")).status_code == 401
    closed = AccessRules(tokens=(TOKEN,), metrics_need_token=True)
    assert (await asking(HERE, closed).get("/metrics")).status_code == 401
    assert (await asking(HERE).get("/metrics", headers=bearer(SECRET))).status_code == 200
    assert (await asking(HERE).get("/api/v1/now")).status_code == 200
    open_ = AccessRules(tokens=(TOKEN,), reading_needs_token=True, metrics_need_token=False)
    assert (await asking(HERE, open_).get("/metrics")).status_code == 200
    assert (await asking(HERE).get("/api/v1/now")).status_code == 401


async def test_wrong_tokens_of_one_caller_shut_out_nobody_else(asking: Asking) -> None:
    guessing, other = asking(ELSEWHERE), asking(OTHER)
    codes = [
        (await guessing.get("/api/v1/now", headers=bearer(f"contactd_{n}"))).status_code
        for n in range(MOST_FAILURES + 2)
    ]
    assert codes == [401] * MOST_FAILURES + [429, 429]
    assert (await other.get("/api/v1/now", headers=bearer(SECRET))).status_code == 200
    assert (await other.get("/api/v1/now", headers=bearer("contactd_x"))).status_code == 401
    assert (await asking(HERE).post("/api/v1/session", json={"token": SECRET})).status_code == 200


async def test_a_valid_token_is_never_refused(asking: Asking) -> None:
    guessing = asking(ELSEWHERE)
    for number in range(MOST_FAILURES + 1):
        last = await guessing.get("/api/v1/now", headers=bearer(f"contactd_{number}"))
    assert last.status_code == 429
    assert last.headers["Retry-After"] == f"{FAILURES_WITHIN_S:.0f}"
    assert (await guessing.get("/api/v1/now", headers=bearer(SECRET))).status_code == 200
    assert (await guessing.post("/api/v1/session", json={"token": SECRET})).status_code == 200


async def test_before_the_ledger_is_read_nothing_is_said_to_be_missing(tmp_path: Path) -> None:
    scene = Scene(tmp_path, 1)
    scene.write_target("Quiet Lantern")
    watch = Watch(scene.config, SimulatedClock(NOW))
    ledger = Ledger.open(watch.daemon.state.configuration.store_url)
    view = DaemonView(watch.daemon, CollectorRegistry(), ledger)
    app = build_app(view, lambda: AccessRules(tokens=(TOKEN,)))
    transport = httpx.ASGITransport(app, client=(HERE, 50_000))
    remark = {"enter": "remark", "target": "Quiet Lantern", "text": "quiet"}
    async with httpx.AsyncClient(
        transport=transport, base_url="http://127.0.0.1", headers=bearer(SECRET)
    ) as client:
        for answer in (
            await client.post("/api/v1/records", json=remark),
            await client.get("/api/v1/forecast", params={"target": "Quiet Lantern"}),
        ):
            assert (answer.status_code, answer.json()["code"]) == (503, "starting")
            assert answer.headers["Retry-After"] == "1"
        await watch.begin()
        assert (await client.post("/api/v1/records", json=remark)).status_code == 201
    ledger.close()
    await watch.end()
