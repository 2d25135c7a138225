"""How soon a pair sends again after each fault: from the fault to the next leader's first alert.

    python tests/benchmarks/bench_pair.py --rounds 5 [--faults kill,stop,cut,restart,term]

Real services, a real PostgreSQL, a real receiver; steps run out every second, so that there is
always something to send. After a restart of the database it is counted from its being back. Also
said: how many messages came twice (with the same key), and whether one that no longer led has sent.
"""

from __future__ import annotations

import argparse
import random
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "support"), str(HERE.parent.parent / "deploy" / "local")]

from pair import Node, PairOfServices, fence_of, steps_every  # noqa: E402
from postgres import Postgres  # noqa: E402
from waiting import wait_for  # noqa: E402

FAULTS = ("kill", "stop", "cut", "restart", "term")
PATIENCE_S = 60.0


def befall(fault: str, leader: Node, postgres: Postgres) -> Callable[[], object]:
    """Let a fault befall the leader; what mends it."""
    if fault == "kill":
        leader.kill()
        return leader.begin
    if fault == "term":
        leader.stop()
        return leader.begin
    if fault == "stop":
        leader.signal(signal.SIGSTOP)
        return lambda: leader.signal(signal.SIGCONT)
    if fault == "cut":
        leader.cable.cut()
        return leader.cable.mend
    postgres.stop(random.choice([signal.SIGINT, signal.SIGQUIT]))
    time.sleep(random.uniform(0.0, 6.0))
    postgres.start()
    return lambda: None


def are_well(pair: PairOfServices) -> bool:
    """Whether one leads, and the other follows."""
    return sorted(node.role() for node in pair.nodes if node.running()) == ["follows", "leads"]


def one_round(pair: PairOfServices, postgres: Postgres, fault: str) -> float:
    """Seconds without a message after one fault."""
    leader, follower = pair.leader(), pair.follower()
    wait_for(lambda: follower.metric("contactd_pair_services") == 2.0, "both", PATIENCE_S)
    time.sleep(random.uniform(0.5, 1.5))
    fence = int(leader.metric("contactd_pair_fence") or 0)
    begun = time.monotonic()
    mend = befall(fault, leader, postgres)
    if fault == "restart":
        begun = time.monotonic()
        first = wait_for(lambda: pair.told(begun), "an alert", PATIENCE_S)[0]
    else:
        first = wait_for(lambda: pair.first_told_under(fence), "an alert", PATIENCE_S)
    mend()
    wait_for(lambda: are_well(pair), "both to be well", PATIENCE_S)
    due = pair.due_by_now(grace_s=2.0)
    wait_for(lambda: not pair.untold(due), "all that fell due to be told", PATIENCE_S)
    return first.at - begun


def main(arguments: list[str]) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--faults", default=",".join(FAULTS))
    given = parser.parse_args(arguments)
    faults = given.faults.split(",")
    took_s: dict[str, list[float]] = {fault: [] for fault in faults}
    twice = strays = messages = 0
    postgres = Postgres()
    postgres.start()
    try:
        for number in range(given.rounds):
            with tempfile.TemporaryDirectory() as folder:
                pair = PairOfServices(Path(folder), postgres)
                try:
                    pair.write_target(steps_every(1.0, 25 * len(faults), first_s=6.0))
                    pair.begin()
                    wait_for(lambda pair=pair: pair.told(), "the first alert", PATIENCE_S)
                    for fault in faults:
                        took_s[fault].append(one_round(pair, postgres, fault))
                    fences = [fence_of(e) for e in sorted(pair.told(), key=lambda each: each.at)]
                    strays += sum(one > other for one, other in pairwise(fences))
                    twice += sum(len(some) - 1 for some in pair.told_twice().values())
                    messages += len(fences)
                except AssertionError:
                    for node in pair.nodes:
                        print(f"-- {node.name}:\n{node.output()[-6000:]}")
                    raise
                finally:
                    pair.clean_up()
            print(
                number + 1, {each: round(some[-1], 2) for each, some in took_s.items()}, flush=True
            )
    finally:
        postgres.remove()
    print(f"{'fault':<10}{'rounds':>7}{'least':>8}{'median':>8}{'most':>8}   (s)")
    for fault, some in took_s.items():
        middle = statistics.median(some)
        print(f"{fault:<10}{len(some):>7}{min(some):>8.2f}{middle:>8.2f}{max(some):>8.2f}")
    print(f"{messages} messages, {twice} came twice, {strays} from one that no longer led")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
