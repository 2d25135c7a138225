"""The sign of life: sent while all is well, and only then, to a real watcher."""

import asyncio

import pytest

from contactd.alerts.heartbeat import Heartbeat
from contactd.core.instants import from_text
from contactd.service.clock import SimulatedClock

NOON = from_text("2026-12-03T12:00:00Z")


@pytest.fixture
def clock():
    return SimulatedClock(NOON)


async def test_it_says_how_far_the_ledger_has_come(receiver, clock):
    heart = Heartbeat(receiver.url, 30.0, clock, lambda: {"number": 7, "digest": "ab"})
    await heart.beat()
    assert receiver.requests[0].json == {"number": 7, "digest": "ab"}
    assert (heart.sent_at, heart.trouble) == (NOON, "")
    await heart.close()


async def test_a_service_that_is_not_well_keeps_silent(receiver, clock):
    heart = Heartbeat(receiver.url, 30.0, clock, lambda: None)
    await heart.beat()
    assert not receiver.requests
    assert heart.sent_at is None


async def test_a_watcher_that_is_away_is_no_reason_to_stop(receiver, clock):
    receiver.answers = [500, 200]
    heart = Heartbeat(receiver.url, 30.0, clock, dict)
    await heart.beat()
    assert "answered 500" in heart.trouble
    await heart.beat()
    assert heart.trouble == ""
    await heart.close()


async def test_it_is_sent_again_and_again(receiver, clock):
    heart = Heartbeat(receiver.url, 30.0, clock, dict)
    running = asyncio.create_task(heart.run())
    for beats in range(1, 4):
        while len(receiver.requests) < beats:
            await asyncio.sleep(0.01)
        await asyncio.sleep(0.05)
        assert len(receiver.requests) == beats
        await clock.advance(30.0)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
