"""Two services in one process on a real PostgreSQL, under one simulated clock.

Who follows keeps up, and says nothing.
"""

import asyncio
import shutil
import time

import pytest
from orbits import geostationary
from scene import LONGITUDE_DEG, STARTED_BEFORE_S, Scene, now, step
from watch import Watch

from contactd.config.configuration import ElementFeed
from contactd.core import instants
from contactd.core import record as kinds
from contactd.core.orbit import format_omm
from contactd.core.record import Record
from contactd.mission.bodies import start_observed
from contactd.records import State, fold
from contactd.records.lease import Lease
from contactd.service.clock import SimulatedClock, WallClock
from contactd.service.election import Pair
from contactd.service.feeding import Feeding

pytestmark = pytest.mark.process

TARGET = "Quiet Lantern"
SETTINGS = {"alerts": {"step_lead": ["5min", "1min"]}}


@pytest.fixture
def clock():
    return SimulatedClock(now())


class Two:
    """Hill, which leads, and dale, which follows, over equal files."""

    def __init__(self, folder, url, clock):
        self.clock = clock
        scene = Scene(folder / "files", 1, {**SETTINGS, "store": {"url": url}})
        scene.write_target(TARGET, [step("beacon on", in_s=600.0), step("lamp", in_s=1200.0)])
        self.scenes = [scene.folder, folder / "copy"]
        shutil.copytree(*self.scenes)
        self.pairs = [Pair(Lease(url, name, 60.0), WallClock()) for name in ("hill", "dale")]
        self.hill, self.dale = (
            Watch(scene / "config", clock, pair)
            for scene, pair in zip(self.scenes, self.pairs, strict=True)
        )

    async def begin(self):
        await self.hill.begin()
        await self.dale.begin()

    async def beats(self, count, every_s=4.0):
        for _ in range(count):
            await self.clock.advance(every_s)
            for each in (self.hill, self.dale):
                if not each.daemon.is_stopping:
                    await each.settle()

    async def hand_over(self):
        self.hill.daemon.stop()
        await self.hill.end()
        deadline = time.monotonic() + 30.0
        while not self.dale.daemon.leading.leads:
            assert time.monotonic() < deadline, "dale does not take up the lead"
            await asyncio.sleep(0.02)


@pytest.fixture
async def two(tmp_path, postgres_url, clock):
    made = Two(tmp_path, postgres_url, clock)
    await made.begin()
    yield made
    for each in (made.hill, made.dale):
        if not each.daemon.is_stopping:
            await each.end()


async def test_who_follows_shows_the_same_and_records_nothing(two):
    await two.beats(110)
    shown = [watch.daemon.snapshot() for watch in (two.hill, two.dale)]
    assert shown[0].alerts == shown[1].alerts
    assert shown[0].alerts
    forecasts = [each.targets[TARGET].forecasts for each in shown]
    assert forecasts[0] == forecasts[1]
    starts = two.hill.records(kinds.SERVICE_STARTED)
    assert [each.body["node"] for each in starts] == ["hill"]
    raised = [each.body["identity"] for each in two.hill.raised()]
    assert len(raised) == len(set(raised))
    assert two.dale.sample("contactd_alerts_raised_total") is None
    assert two.dale.daemon.health().role == "follows"
    assert two.dale.daemon.notice().startswith("dale follows hill")


async def test_the_next_leader_goes_on_where_the_last_one_ended(two):
    await two.beats(110)
    before = two.hill.told("step-expiring")
    await two.hand_over()
    await two.beats(250)
    after = two.dale.told("step-expiring")
    assert after[: len(before)] == before
    told = [(each.subject, each.body["lead_s"]) for each in after]
    assert sorted(told) == [
        (f"{TARGET}/wake-up/{name}", lead_s)
        for name in ("beacon on", "lamp")
        for lead_s in (60, 300)
    ]
    assert not any(each.body.get("late") for each in after)
    assert not two.dale.records(kinds.ALERT_MISSED)
    starts = two.dale.records(kinds.SERVICE_STARTED)
    assert [(each.body["node"], each.body["fence"]) for each in starts] == [
        ("hill", 1),
        ("dale", 2),
    ]


async def test_what_falls_due_while_nobody_leads_is_told_late_or_counted(two):
    # The last that anybody hears of hill.
    two.hill.daemon.stop()
    await two.hill.end()
    await two.clock.advance(1300.0)
    deadline = time.monotonic() + 30.0
    while not two.dale.daemon.leading.leads:
        assert time.monotonic() < deadline
        await asyncio.sleep(0.02)
    await two.beats(5)
    expired = two.dale.raised("step-expired")
    assert {each.body["late"] for each in expired} == {True}
    assert len(expired) == 2
    assert len(two.dale.raised("alerts-missed")) == 1


async def test_what_is_entered_at_the_one_that_follows_is_known_to_both(two):
    at = two.clock.now()
    body = start_observed(at - STARTED_BEFORE_S - 60.0, 5.0, recorded_at=at)
    made = Record(at, kinds.START_OBSERVED, f"{TARGET}/wake-up", "Ada Quill", body)
    (written,) = await two.dale.daemon.commit([made])
    await two.beats(1)
    for watch in (two.hill, two.dale):
        snapshot = watch.daemon.snapshot()
        assert snapshot.ledger_at >= written.number
        (forecast,) = snapshot.targets[TARGET].forecasts
        assert forecast.steps[0].nominal == pytest.approx(at + 540.0, abs=10.0)


async def test_a_change_of_the_files_is_recorded_once(two):
    text = (two.scenes[0] / "config" / "contactd.yaml").read_text().replace("5min", "4min")
    for folder in two.scenes:
        (folder / "config" / "contactd.yaml").write_text(text)
    for watch in (two.hill, two.dale):
        await watch.daemon.reload()
        await watch.settle()
    assert len(two.hill.records(kinds.CONFIGURATION_ADOPTED)) == 2
    digests = {watch.daemon.state.configuration.digest for watch in (two.hill, two.dale)}
    assert len(digests) == 1


async def test_who_follows_takes_elements_from_the_ledger_and_asks_nobody(clock):
    feeding = Feeding(clock)
    url = "https://elements.example/quiet"
    feeding.follow([ElementFeed(TARGET, url, None, 7200.0, 5.0, 100_000)], State())
    elements = geostationary(LONGITUDE_DEG, epoch=instants.from_text("2026-12-03T00:00:00Z"))
    body = {"source": url, "omm": format_omm((elements,), "json"), "validators": {"etag": '"7"'}}
    known = fold(State(), [Record(1.0, kinds.ELEMENTS_ADOPTED, TARGET, "contactd", body)])
    feeding.learn(known)
    from contactd.core.planning import Target

    fed = feeding.targets({TARGET: Target(TARGET, ())})[TARGET]
    assert [each.epoch for each in fed.elements] == [elements.epoch]
    again = feeding.targets({TARGET: Target(TARGET, ())})[TARGET]
    feeding.learn(known)
    assert again.elements is fed.elements
