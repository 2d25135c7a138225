"""A service's place in a pair, kept by a thread on a real PostgreSQL."""

import asyncio
import signal
import time

import pytest

from contactd.records import Ledger
from contactd.records.lease import Lease
from contactd.service import election as pairs
from contactd.service.clock import WallClock
from contactd.service.election import Pair

pytestmark = pytest.mark.process

LONG_S = 60.0


@pytest.fixture
def pair_of(postgres_url):
    """Makes pairs' members for services of a name; the tests stop them."""
    Ledger.open(postgres_url).close()

    def make(name: str, lease_s: float = LONG_S) -> Pair:
        return Pair(Lease(postgres_url, name, lease_s), WallClock())

    return make


async def until(look, what: str, patience_s: float = 30.0) -> None:
    deadline = time.monotonic() + patience_s
    while not look():
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        await asyncio.sleep(0.02)


async def test_the_first_leads_for_sure_and_may_send_and_the_second_may_not(pair_of):
    hill, dale = pair_of("hill"), pair_of("dale")
    await hill.start(lambda: None)
    await dale.start(lambda: None)
    assert (hill.is_sure, await hill.ask(), hill.holds()) == (True, True, True)
    assert (dale.is_sure, await dale.ask(), dale.holds()) == (False, False, False)
    assert (dale.standing.leader, dale.standing.members) == ("hill", 2)
    await hill.stop()
    await until(lambda: dale.is_sure, "the other to lead")
    assert await dale.ask(), "what was given back need not be waited for"
    await dale.stop()


async def test_each_asking_has_the_lease_renewed(pair_of):
    hill = pair_of("hill")
    await hill.start(lambda: None)
    for _ in range(5):
        before = hill.standing.looked_at
        assert await hill.ask()
        assert hill.standing.looked_at > before
    assert await asyncio.gather(*(hill.ask() for _ in range(50))) == [True] * 50
    await hill.stop()


async def test_what_is_sent_is_broken_off_when_the_lead_is_no_longer_sure(
    pair_of, postgres, monkeypatch
):
    hill, dale, unsure = pair_of("hill", 2.0), pair_of("dale", 2.0), asyncio.Event()
    await hill.start(unsure.set)
    await dale.start(lambda: None)
    await until(lambda: hill.standing.members == 2, "the other to be seen")
    assert hill.holds()
    postgres.stop(signal.SIGQUIT)
    try:
        assert not await hill.ask(), "nothing is sent without having asked"
        await asyncio.wait_for(unsure.wait(), 30.0)
        assert not hill.is_sure
        assert hill.standing.trouble
    finally:
        postgres.start()
    await until(lambda: hill.holds() != dale.holds(), "one of the two to lead again")
    await dale.stop()
    await hill.stop()


async def test_one_with_no_other_beside_it_goes_on_when_the_ledger_falls_silent(pair_of, postgres):
    hill = pair_of("hill", 2.0)
    await hill.start(lambda: None)
    postgres.stop(signal.SIGQUIT)
    try:
        await until(lambda: hill.is_alone, "the silence to be noticed")
        await asyncio.sleep(2.5)
        assert await hill.ask(), "though the lease has run out"
        dale = pair_of("dale", 2.0)
        await dale.start(lambda: None)
        assert not dale.is_alone, "it never led"
        assert not await dale.ask()
    finally:
        postgres.start()
    await until(lambda: not hill.standing.trouble, "the lead to be known again")
    await until(lambda: hill.holds() != dale.holds(), "one of the two to lead")
    await hill.stop()
    await dale.stop()


async def test_one_that_was_stopped_until_its_lease_had_run_out_does_not_take_itself_for_alone(
    pair_of, postgres
):
    hill = pair_of("hill", 2.0)
    await hill.start(lambda: None)
    assert hill.holds()
    with hill._lock:  # its thread can begin no look meanwhile, as if the process were stopped
        postgres.stop(signal.SIGQUIT)
        time.sleep(2.5)
    try:
        await until(lambda: hill.standing.trouble, "the silence to be noticed")
        assert not hill.is_alone
        assert not await hill.ask()
    finally:
        postgres.start()
    await until(lambda: hill.holds(), "the lead to be had again")
    await hill.stop()


async def test_a_busy_event_loop_keeps_the_lead_and_one_that_hangs_does_not(pair_of, monkeypatch):
    hill, dale = pair_of("hill", 2.0), pair_of("dale", 2.0)
    await hill.start(lambda: None)
    time.sleep(3.0)
    assert (hill.is_sure, hill.fence) == (True, 1)

    monkeypatch.setattr(pairs, "HANG_S", 0.5)
    time.sleep(4.0)
    assert not hill.holds(), "at once, before anything else can happen"
    monkeypatch.undo()
    await dale.start(lambda: None)
    await until(lambda: hill.is_sure != dale.is_sure, "one of the two to lead")
    await hill.stop()
    await dale.stop()


async def test_who_cannot_take_up_the_lead_leaves_it_to_the_other(pair_of):
    hill, dale = pair_of("hill"), pair_of("dale")
    await hill.start(lambda: None)
    await dale.start(lambda: None)
    hill.decline()
    assert not hill.holds()
    await until(lambda: dale.is_sure, "the other to lead")
    assert dale.fence == 2
    await dale.stop()
    await hill.stop()
