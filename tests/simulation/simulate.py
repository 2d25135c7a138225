"""One seeded night: the real daemon in a simulated world that tries to break it.

python tests/simulation/simulate.py --seed 1234           one night, told step by step
python tests/simulation/simulate.py --seeds 0:20000       many; names the seeds that fail
python tests/simulation/simulate.py --seeds 0:2000 --judge   judges every sentence of every face
python tests/simulation/simulate.py --falsify             the first night that shows each falsehood
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [
    str(HERE),
    str(HERE.parent / "support"),
    str(HERE.parent.parent / "deploy" / "local"),
]

import structlog  # noqa: E402
from invariants import Watcher  # noqa: E402
from virtual_loop import Killed, MortalLoop, run_until  # noqa: E402
from world import (  # noqa: E402
    BROKEN,
    CHANNELS,
    Receiver,
    WorldChannels,
    WorldClock,
    WorldFiles,
    WorldLedger,
    configuration,
)

from contactd.core import record as kinds  # noqa: E402
from contactd.core.record import Record  # noqa: E402
from contactd.mission.bodies import start_observed  # noqa: E402
from contactd.service.daemon import Daemon  # noqa: E402
from contactd.service.files import Loaded  # noqa: E402
from contactd.service.scheduler import Scheduler, Work  # noqa: E402
from contactd.service.store import Store  # noqa: E402
from contactd.service.surroundings import Surroundings  # noqa: E402
from contactd.service.virtual_loop import Inline  # noqa: E402

NIGHT_S = 2400.0
SETTLE_S = 600.0
BEAT_S = 4.0
VARIANTS = 40
FAULTS_AT_MOST = 12


class NightScheduler(Scheduler):
    """The jobs come seldom: a night passes in a fraction of a second."""

    def every(self, name: str, seconds: float, work: Work) -> None:
        super().every(name, max(seconds, 30.0), work)


@dataclass
class Night:
    """The world of one seed, across all lives of the process in it."""

    seed: int
    say: Callable[[str], None] = lambda _: None
    chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)
        self.clock = WorldClock()
        self.ledger = WorldLedger()
        self.receivers = [Receiver(name, self.clock) for name in ("log", *CHANNELS)]
        self.variant = self.chance.randrange(VARIANTS)
        self.files = WorldFiles(Loaded(configuration(self.variant)))
        self.in_force = configuration(self.variant)
        self.watcher = Watcher(self.clock, self.ledger, self.receivers)
        self.faults = sorted(
            (self.chance.uniform(0.0, NIGHT_S), self.chance.choice(FAULTS))
            for _ in range(self.chance.randint(3, FAULTS_AT_MOST))
        )
        self.lives = 0

    def pass_night(self) -> None:
        """All lives until the night is over and everything has settled, then the last checks."""
        while not self._live():
            down_s = self.chance.choice([0.0, 1.0, 30.0, 600.0])
            self.say(f"{self._at()} killed; down for {down_s:g} s")
            self.clock.before_s += down_s
        self.watcher.check_end()

    def _at(self) -> str:
        return f"t={self.clock.monotonic():8.1f} life {self.lives}"

    def _live(self) -> bool:
        """One life of the process; whether it lived to see the end of the night."""
        self.lives += 1
        loop = MortalLoop()
        self.clock.elapsed = loop.time
        if self.lives > 1 and self.files.content.configuration is not None:
            self.in_force = self.files.content.configuration
        daemon: Daemon | None = None
        try:
            run_until(loop, self._main(loop))
            assert not loop.complaints, loop.complaints
            return True
        except Killed:
            loop.kill()
            return False
        finally:
            self.clock.before_s += loop.time()
            self.clock.elapsed = lambda: 0.0
            self.watcher.process_gone()
            del daemon
            loop.close()

    async def _main(self, loop: MortalLoop) -> None:
        refused = self.files.content.problems
        self.files.is_new = False
        daemon = Daemon(
            self.in_force,
            refused,
            self.files,
            Store(self.ledger, Inline()),
            Surroundings(
                self.clock,
                threads=Inline(),
                channels=WorldChannels(self.receivers),  # type: ignore[arg-type]
                scheduler=NightScheduler(self.clock),
                beat_s=BEAT_S,
            ),
        )
        self.watcher.follow(daemon)
        running = asyncio.ensure_future(daemon.run())
        while self.faults:
            moment, fault = self.faults[0]
            await self.clock.sleep(max(moment - self.clock.monotonic(), 0.0))
            self.faults.pop(0)
            self.say(f"{self._at()} {fault.__name__.replace('_', ' ')}")
            fault(self, loop)
        await self.clock.sleep(max(NIGHT_S - self.clock.monotonic(), 0.0))
        self._mend()
        await self.clock.sleep(SETTLE_S)
        self.watcher.check_settled(daemon)
        daemon.stop()
        await running

    def _mend(self) -> None:
        """The last fault is over."""
        self.say(f"{self._at()} all is mended")
        self.ledger.failing, self.ledger.forgets_answers = "", False
        for receiver in self.receivers:
            receiver.mood = "well"
        if self.files.content.configuration is None:
            self.files.put(Loaded(self.in_force))


def kill(night: Night, loop: MortalLoop) -> None:
    loop.kill_after = loop.callbacks + night.chance.randint(1, 400)


def kill_while_alerting(night: Night, loop: MortalLoop) -> None:
    loop.kill_after = loop.callbacks + night.chance.randint(1, 40)
    night.clock.stepped_s += 61.0


def step_clock(night: Night, _loop: MortalLoop) -> None:
    night.clock.stepped_s += night.chance.choice([-300.0, -60.0, -5.0, 5.0, 60.0, 300.0])


def suspend(night: Night, _loop: MortalLoop) -> None:
    night.clock.asleep_s += night.chance.choice([20.0, 600.0])


def upset_receiver(night: Night, _loop: MortalLoop) -> None:
    moods = ["slow", "failing", "hanging", "busy", "lossy", "well"]
    night.chance.choice(night.receivers).mood = night.chance.choice(moods)


def fail_disk(night: Night, _loop: MortalLoop) -> None:
    night.ledger.failing = night.chance.choice(["the disk is full", "the ledger is locked"])


def lose_answers(night: Night, _loop: MortalLoop) -> None:
    night.ledger.forgets_answers = True


def mend_disk(night: Night, _loop: MortalLoop) -> None:
    night.ledger.failing, night.ledger.forgets_answers = "", False


def edit_files(night: Night, _loop: MortalLoop) -> None:
    night.variant = night.chance.randrange(VARIANTS)
    night.in_force = configuration(night.variant)
    night.files.put(Loaded(night.in_force))
    night.watcher.files_edited()


def break_files(night: Night, _loop: MortalLoop) -> None:
    night.files.put(BROKEN)


def state_start(night: Night, _loop: MortalLoop) -> None:
    """Another process records when a sequence started; sometimes twice, sometimes contradicting."""
    target = night.chance.choice(sorted(night.in_force.targets))
    now = night.clock.now()
    at = now - night.chance.uniform(600.0, 3600.0)
    body = start_observed(at, 30.0, recorded_at=now)
    identity = f"entry-{night.chance.randrange(5)}"
    record = Record(now, kinds.START_OBSERVED, f"{target}/wake-up", "Ada Quill", body, identity)
    if not night.ledger.failing:
        forgets, night.ledger.forgets_answers = night.ledger.forgets_answers, False
        night.ledger.append([record] * night.chance.randint(1, 2))
        night.ledger.forgets_answers = forgets


def acknowledge(night: Night, _loop: MortalLoop) -> None:
    raised = [each for each in night.ledger.stored if each.kind == kinds.ALERT_RAISED]
    if raised and not night.ledger.failing and not night.ledger.forgets_answers:
        chosen = night.chance.choice(raised)
        body = {"identity": chosen.body["identity"]}
        now = night.clock.now()
        who = "Ada Quill"
        night.ledger.append([Record(now, kinds.ALERT_ACKNOWLEDGED, chosen.subject, who, body)])


FAULTS: list[Callable[[Night, MortalLoop], None]] = sorted(
    [
        kill,
        kill_while_alerting,
        step_clock,
        suspend,
        upset_receiver,
        upset_receiver,
        fail_disk,
        lose_answers,
        mend_disk,
        edit_files,
        break_files,
        state_start,
        acknowledge,
    ],
    key=lambda fault: fault.__name__,
)


def simulate(seed: int, say: Callable[[str], None] = lambda _: None) -> None:
    """One night.

    Raises:
        AssertionError: if an invariant does not hold; the same seed does it again.
    """
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    night = Night(seed, say)
    night.pass_night()


def failing(seeds: range) -> list[tuple[int, str]]:
    """The seeds whose night breaks something, and how."""
    found = []
    for seed in seeds:
        try:
            simulate(seed)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is reported with its seed
            found.append((seed, f"{type(error).__name__}: {error}"))
    return found


def judge_nights(seeds: range) -> int:
    """Judge nights and print what is false in them; 1 if anything is that is not known."""
    from known import KNOWN
    from nights import judged, kinds

    counts: Counter[str] = Counter()
    examples: dict[str, str] = {}
    for seed in seeds:
        try:
            found = judged(seed, print if len(seeds) == 1 else lambda _: None)
        except Exception as error:  # noqa: BLE001 - whatever it is, it is reported with its seed
            found = [(f"a night that ends with {type(error).__name__}", str(error))]
        counts.update(kinds(found))
        for kind, what in found:
            examples.setdefault(kind, f"seed {seed}: {what}")
    for kind, count in counts.most_common():
        print(f"{count:5} {'known' if kind in KNOWN else 'NEW':6}{kind}: {examples[kind]}")
    print(f"{len(seeds)} nights judged, {len(set(counts) - set(KNOWN))} new kinds of falsehood")
    return 1 if set(counts) - set(KNOWN) else 0


def search_falsifications() -> int:
    """Search the first night that shows each falsification; 1 if one stays unseen."""
    from falsify import FALSIFICATIONS

    unseen = 0
    for each in FALSIFICATIONS:
        found = each.search()
        unseen += found is None
        print(f"{each.name}: {'UNSEEN' if found is None else f'seed {found[0]}, {found[1]}'}")
    print(f"{len(FALSIFICATIONS) - unseen} of {len(FALSIFICATIONS)} seen")
    return 1 if unseen else 0


def main(arguments: list[str]) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--seed", type=int)
    which.add_argument("--seeds", metavar="FROM:TO")
    which.add_argument("--falsify", action="store_true", help="search 200 nights for each")
    parser.add_argument("--judge", action="store_true", help="judge what every face says")
    given: Any = parser.parse_args(arguments)
    if given.falsify:
        return search_falsifications()
    if given.judge:
        first, last = (
            (given.seed, given.seed + 1)
            if given.seed is not None
            else (int(part) for part in given.seeds.split(":"))
        )
        return judge_nights(range(first, last))
    if given.seed is not None:
        simulate(given.seed, say=print)
        print(f"seed {given.seed}: all invariants hold")
        return 0
    first, last = (int(part) for part in given.seeds.split(":"))
    found = failing(range(first, last))
    for seed, how in found:
        print(f"seed {seed}: {how[:300]}")
    print(f"{last - first - len(found)} passed, {len(found)} failed")
    return 1 if found else 0


if __name__ == "__main__":
    code = main(sys.argv[1:])
    sys.stdout.flush()
    os._exit(code)  # what was killed must not be cleaned up at the end either
