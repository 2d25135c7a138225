"""Steering a rehearsal: its own clock, and what it may not touch."""

from __future__ import annotations

import asyncio
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from socket import create_server

import httpx
import pytest
import yaml
from waiting import wait_for

from contactd.faces.http.routes.rehearsal import RehearsalState
from contactd.service.paced_clock import PacedClock
from contactd.service.rehearsal.controls import Controls
from contactd.service.virtual_loop import VirtualLoop

CONTACTD = Path(sys.executable).with_name("contactd")
SCRIPT = {
    "title": "Steered",
    "begins": "2026-12-03T08:00:00Z",
    "lasts": "10h",
    "events": [{"after": "30min", "by": "Ada", "say": {"remark": {"text": "Half an hour"}}}],
}


def on_a_virtual_clock(play) -> None:
    loop = VirtualLoop()
    try:
        loop.run_until_complete(play())
    finally:
        loop.close()


def controls(clock: PacedClock, told: list[str], lasts_s: float = 3600.0) -> Controls:
    return Controls(
        clock, "Try", lasts_s, [600.0], lambda at, what: told.append(f"{at:.0f} {what}")
    )


def test_while_paused_no_time_passes_and_nobody_wakes() -> None:
    async def play() -> None:
        told: list[str] = []
        clock = PacedClock(0.0)
        clock.go(10.0)
        steering = controls(clock, told)
        sleeper = asyncio.ensure_future(clock.sleep(50.0))
        await asyncio.sleep(3.0)
        steering.pause("Ada")
        await asyncio.sleep(1000.0)
        assert clock.monotonic() == pytest.approx(30.0)
        assert not sleeper.done()
        steering.resume("Ada")
        await asyncio.sleep(2.1)
        assert sleeper.done()
        assert steering.state()["speed"] == 10.0
        assert told == ["30 Ada paused it", "30 Ada let it go on"]

    on_a_virtual_clock(play)


def test_a_pause_of_the_script_goes_on_as_fast_as_before() -> None:
    async def play() -> None:
        clock = PacedClock(0.0)
        clock.go(60.0)
        clock.go(0.0)
        steering = controls(clock, [])
        assert steering.state()["paused"]
        steering.resume("Ada")
        assert clock.speed == 60.0

    on_a_virtual_clock(play)


def test_another_speed_while_paused_counts_from_when_it_goes_on() -> None:
    async def play() -> None:
        clock = PacedClock(0.0)
        clock.go(1.0)
        steering = controls(clock, [])
        steering.pause("Ada")
        steering.set_speed(600.0, "Ada")
        await asyncio.sleep(10.0)
        assert clock.monotonic() == 0.0
        steering.resume("Ada")
        await asyncio.sleep(1.0)
        assert clock.monotonic() == pytest.approx(600.0)

    on_a_virtual_clock(play)


def test_a_jump_ends_at_what_happens_next_and_at_the_end_at_last() -> None:
    async def play() -> None:
        clock = PacedClock(0.0)
        clock.go(1.0)
        steering = controls(clock, [])
        assert steering.jump(200.0, "Ada") == pytest.approx(200.0)
        assert steering.jump(7200.0, "Ada") == pytest.approx(400.0)
        assert steering.jump(7200.0, "Ada") == pytest.approx(3000.0)
        assert steering.jump(7200.0, "Ada") == pytest.approx(0.0, abs=1e-3)
        assert steering.state()["next_event_s"] is None

    on_a_virtual_clock(play)


def test_other_threads_may_ask_for_the_time() -> None:
    async def play() -> None:
        clock = PacedClock(100.0)
        clock.go(60.0)
        asked = await asyncio.to_thread(clock.now)
        assert asked >= 100.0

    asyncio.run(play())


@dataclass
class Live:
    """A rehearsal that runs live in a process of its own."""

    process: subprocess.Popen[str]
    base: str
    secret: str

    def steer(self, body: dict, **headers: str) -> httpx.Response:
        return httpx.post(f"{self.base}/rehearsal", json=body, headers=headers)

    def as_operator(self, body: dict) -> httpx.Response:
        return self.steer(body, Authorization=f"Bearer {self.secret}")


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Live]:
    script = tmp_path / "script.yaml"
    script.write_text(yaml.safe_dump(SCRIPT))
    with create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    process = subprocess.Popen(
        [CONTACTD, "rehearse", script, "--speed", "1", "--port", str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=tmp_path,
    )
    assert process.stderr is not None
    said = process.stderr.readline() + process.stderr.readline()
    found = re.search(r"contactd_[\w-]+", said)
    assert found, said
    yield Live(process, f"http://127.0.0.1:{port}/api/v1", found[0])
    process.terminate()
    process.communicate(timeout=20)


@pytest.mark.process
def test_a_live_rehearsal_is_steered_by_an_operator_alone_and_its_report_says_by_whom(
    live: Live, tmp_path: Path
) -> None:
    def both() -> list[dict]:
        found = httpx.get(f"{live.base}/targets").json()
        return found if len(found) == 2 else []

    predicted = wait_for(both, "both targets")
    assert [each["problem"] for each in predicted] == [None, None]
    assert httpx.get(f"{live.base}/handover").json()["now"] >= "2026-12-03T08:00"
    described = RehearsalState.model_validate_json(httpx.get(f"{live.base}/rehearsal").content)
    assert (described.title, described.lasts_s, described.paused) == ("Steered", 36_000.0, False)
    assert live.steer({"paused": True}).json()["code"] == "token-needed"
    with httpx.Client(base_url=live.base) as page:
        csrf = page.post(f"{live.base}/session", json={"token": live.secret}).json()["csrf"]
        refused = page.post(f"{live.base}/rehearsal", json={"paused": True})
        assert (refused.status_code, refused.json()["code"]) == (403, "csrf")
        done = page.post(
            f"{live.base}/rehearsal", json={"paused": True}, headers={"X-Contactd-Csrf": csrf}
        )
        assert done.json()["paused"]
    for wrong in ({}, {"speed": 0}, {"speed": 1, "paused": True}, {"jump_s": -1}, {"more": 1}):
        assert live.as_operator(wrong).status_code == 422, wrong
    assert live.as_operator({"jump_s": 36_000}).json()["after_s"] == 1800
    live.as_operator({"paused": False})
    live.as_operator({"speed": 1000})
    live.as_operator({"jump_s": 36_000})
    out, _ = live.process.communicate(timeout=30)
    assert live.process.returncode == 0, out
    for told in ("team paused it", "team let it go on", "team jumped", "Half an hour"):
        assert told in out, out
    assert {each.name for each in tmp_path.iterdir()} == {"script.yaml"}
