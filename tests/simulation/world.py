"""The simulated rim of the service: clock, ledger on a failing disk, files, receivers."""

from __future__ import annotations

import asyncio
import random
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any

import yaml
from orbits import geostationary

from contactd.alerts.delivery import Terms
from contactd.alerts.notification import ChannelBusy, Notification
from contactd.config import Configuration, load
from contactd.core import instants
from contactd.core.errors import DeliveryError, LedgerError
from contactd.core.orbit.tle import format_tle
from contactd.core.record import Record
from contactd.service.files import Loaded

START = instants.from_text("2026-12-03T08:00:00Z")
LONGITUDE_DEG = 10.0
CHANNELS = ("desk", "phone")
STEPS_AT_MOST = 4


class WorldClock:
    """Wall, monotonic and boot clocks over a virtual loop's time.

    The wall clock is set, and the machine sleeps, when the world says so.
    """

    def __init__(self) -> None:
        self.elapsed: Callable[[], float] = lambda: 0.0
        self.before_s = 0.0  # of earlier lives of the process
        self.stepped_s = 0.0
        self.asleep_s = 0.0

    def monotonic(self) -> float:
        return self.before_s + self.elapsed()

    def boottime(self) -> float:
        return self.monotonic() + self.asleep_s

    def now(self) -> float:
        return START + self.boottime() + self.stepped_s

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


@dataclass
class WorldLedger:
    """A ledger that keeps what it acknowledged, on a disk that can fail.

    Attributes:
        failing: why nothing can be written or read, or "".
        forgets_answers: the write is done, and its answer lost.
    """

    stored: list[Record] = field(default_factory=list)
    failing: str = ""
    forgets_answers: bool = False
    identities: dict[str, Record] = field(default_factory=dict)

    def append(self, records: Sequence[Record]) -> list[Record]:
        if self.failing:
            raise LedgerError(self.failing, passing=True)
        kept = []
        for record in records:
            known = self.identities.get(record.identity) if record.identity else None
            if known is None:
                known = replace(record, number=len(self.stored) + 1)
                self.stored.append(known)
                if record.identity:
                    self.identities[record.identity] = known
            kept.append(known)
        if self.forgets_answers:
            raise LedgerError("the disk reports an error", passing=True)
        return kept

    def since(self, number: int, limit: int) -> list[Record]:
        if self.failing:
            raise LedgerError(self.failing, passing=True)
        return self.stored[number : number + limit]

    def close(self) -> None:
        pass


@dataclass
class Receiver:
    """Somebody who is told: accepts, is slow, fails, or hangs; forgets nothing.

    Attributes:
        accepted: (wall instant, message) in order of acceptance.
        mood: ``well``, ``slow``, ``failing``, ``hanging``, ``busy`` or ``lossy`` (accepts, and the
            answer is lost).
    """

    name: str
    clock: WorldClock
    mood: str = "well"
    accepted: list[tuple[float, Notification]] = field(default_factory=list)

    async def send(self, message: Notification) -> None:
        if self.mood == "hanging":
            await self.clock.sleep(3600.0)
        if self.mood == "slow":
            await self.clock.sleep(7.0)
        if self.mood == "failing":
            raise DeliveryError(self.name, "answered 500", worth_retrying=True)
        if self.mood == "busy":
            raise ChannelBusy(self.name, "answered 429", 20.0)
        self.accepted.append((self.clock.now(), message))
        if self.mood == "lossy":
            raise DeliveryError(self.name, "the answer was lost", worth_retrying=True)

    async def close(self) -> None:
        pass


class WorldChannels:
    """The receivers in place of the real channels."""

    def __init__(self, receivers: Sequence[Receiver]) -> None:
        self._receivers = receivers

    def of(self, _configuration: Configuration) -> list[tuple[Any, Terms]]:
        terms = Terms(at_once=4, attempt_s=10.0, first_wait_s=2.0, longest_wait_s=120.0)
        return [(receiver, terms) for receiver in self._receivers]


@dataclass
class WorldFiles:
    """The configuration's files: what would be read now, and whether it has changed."""

    content: Loaded
    is_new: bool = False
    kept: Path = Path("kept")

    def put(self, content: Loaded) -> None:
        self.content, self.is_new = content, True

    def changed(self, _around: float) -> Loaded | None:
        if not self.is_new:
            return None
        self.is_new = False
        return self.content

    def load(self, _around: float) -> Loaded:
        self.is_new = False
        return self.content


BROKEN = Loaded(None, ("targets/lantern-3.yaml:3:1: delay: found nothing; expected a duration",))


@cache
def configuration(variant: int) -> Configuration:
    """One of many configurations around the simulated present; the same number, the same one."""
    chance = random.Random(variant)
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "config"
        for name in ("stations", "targets"):
            (config / name).mkdir(parents=True)
        write(config / "contactd.yaml", _settings())
        write(config / "stations" / "under.yaml", _station("Under Point", LONGITUDE_DEG, True))
        write(config / "stations" / "far.yaml", _station("Far Side", LONGITUDE_DEG - 180.0, False))
        for number in range(chance.randint(1, 2)):
            write(config / "targets" / f"{number}.yaml", _target(f"Lantern {number}", chance))
        return load(config, Path(folder), START)


def write(path: Path, content: dict[str, Any]) -> None:
    path.write_text(yaml.safe_dump(content, sort_keys=False))


def _settings() -> dict[str, Any]:
    channels = [
        {"kind": "webhook", "name": name, "url": f"http://127.0.0.1:9/{name}"} for name in CHANNELS
    ]
    return {
        "horizon": {"ahead": "6h", "back": "1h"},
        "channels": channels,
        "alerts": {"step_lead": ["10min", "1min"], "contact_lead": []},
    }


def _station(name: str, longitude_deg: float, serves: bool) -> dict[str, Any]:
    longitude_deg = (longitude_deg + 180.0) % 360.0 - 180.0
    services = {"services": {"telemetry": {}, "command": {}}} if serves else {}
    return {"name": name, "latitude_deg": 1.0, "longitude_deg": longitude_deg, **services}


def _target(name: str, chance: random.Random) -> dict[str, Any]:
    epoch = START - chance.choice([60.0, 3600.0, 86_400.0])
    steps = [_step(number, chance) for number in range(chance.randint(1, STEPS_AT_MOST))]
    started = {"status": "observed", "at": instants.to_text(START - 3600), "give_or_take": "20s"}
    return {
        "name": name,
        "elements": {"tle": "\n".join(format_tle(geostationary(LONGITUDE_DEG, epoch=epoch)))},
        "sequences": [{"name": "wake-up", "start": started, "steps": steps}],
    }


def _step(number: int, chance: random.Random) -> dict[str, Any]:
    step: dict[str, Any] = {
        "name": f"step {number}",
        "after": "start",
        "delay": f"{3600 + chance.randint(60, 2700)}s",
        "needs": {"service": chance.choice(["telemetry", "telemetry", "ranging"])},
    }
    if chance.random() < 0.4:
        step["hazard"] = "deployment"
        step["keep_clear"] = {"before": "2min", "after": "5min"}
    if chance.random() < 0.5:
        step["stop"] = {"lead": "60s", "takes_effect_in": "20s"}
    return step
