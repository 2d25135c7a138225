"""The sign of life, to a real watcher."""

from contactd.alerts.heartbeat import Heartbeat
from contactd.core.instants import from_text
from contactd.service.clock import SimulatedClock

NOON = from_text("2026-12-03T12:00:00Z")


async def test_it_says_how_far_the_ledger_has_come(receiver):
    heart = Heartbeat(receiver.url, SimulatedClock(NOON))
    await heart.beat({"records": 7, "digest": "ab"})
    assert receiver.requests[0].json == {"records": 7, "digest": "ab"}
    assert (heart.sent_at, heart.trouble) == (NOON, "")
    await heart.close()


async def test_a_watcher_that_is_away_is_no_reason_to_stop(receiver):
    receiver.answers = [500, 200]
    heart = Heartbeat(receiver.url, SimulatedClock(NOON))
    await heart.beat({})
    assert "answered 500" in heart.trouble
    assert heart.sent_at is None
    await heart.beat({})
    assert heart.trouble == ""
    await heart.close()
