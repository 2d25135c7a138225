"""The ledger is copied as often as is wanted, and old records are archived."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from scene import Scene

from contactd.config import load
from contactd.core.instants import from_text
from contactd.core.record import REMARK, Record
from contactd.records import Ledger
from contactd.records.backup import copies_in, damage_of
from contactd.service.clock import SimulatedClock
from contactd.service.ledger_upkeep import LedgerUpkeep
from contactd.service.scheduler import Scheduler
from contactd.service.store import Store

DAY_S = 86_400.0
CARE = {"backup": {"to": "copies", "every": "1d", "keep": 3}, "archive_after": "30d"}


class Bench:
    def __init__(self, folder: Path) -> None:
        scene = Scene(folder, 1, {"ledger": CARE})
        self.clock = SimulatedClock(from_text("2026-12-03T00:00:00Z"))
        self.configuration = load(scene.config, folder, self.clock.now())
        self.file = folder / "ledger.sqlite"
        url = self.configuration.store_url
        self.file = Path(url.removeprefix("sqlite:///"))
        self.ledger = Ledger.open(url)
        self.store = Store(self.ledger, file=self.file)
        self.noticed: list[str] = []
        self.upkeep = LedgerUpkeep(
            self.store, self.clock, Scheduler(self.clock), lambda: True,
            lambda: self.noticed.append(self.store.damage),
        )  # fmt: skip
        self.upkeep.follow(self.configuration)
        self.copies = scene.config / "copies"


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.upkeep.close()
    made.store.close()


async def test_copies_are_made_each_day_and_so_many_are_kept(bench: Bench) -> None:
    for _ in range(10 * 24):
        await bench.upkeep.copy_if_due()
        bench.clock.pass_time(3600.0)
    names = [each.name for each in copies_in(bench.copies)]
    assert len(names) == 3
    assert names[0].startswith("ledger-20261212T")
    assert all(damage_of(each) == "" for each in copies_in(bench.copies))


async def test_records_older_than_is_wanted_are_archived_and_can_be_read(bench: Bench) -> None:
    now = bench.clock.now()
    for age_days in (90, 60, 20, 1):
        at = now - age_days * DAY_S
        bench.ledger.append([Record(at, REMARK, "s", "Ada", {"text": f"{age_days}"})])
    await bench.upkeep.archive()
    (made,) = bench.ledger.archives()
    assert made.until_number == 2
    assert [each.body["text"] for each in bench.ledger.records()] == ["90", "60", "20", "1"]


async def test_damage_is_told_once_and_ends_the_copying_of_it(bench: Bench) -> None:
    await bench.upkeep.look()
    assert not bench.noticed
    bench.ledger.close()
    bench.file.write_bytes(b"no ledger at all" * 1000)
    for _ in range(3):
        bench.clock.pass_time(60.0)
        await bench.upkeep.look()
        await bench.upkeep.copy_if_due()
    assert len(bench.noticed) == 1
    assert copies_in(bench.copies) == []
