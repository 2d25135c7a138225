"""How late alerts are while many read: the real service, a fleet, readers that never rest.

python tests/benchmarks/bench_readers.py --targets 1000 --readers 100

One alert a second falls due; each is timed from when it fell due until a webhook had it, first
with nobody reading, then with readers, in one run. How long a restart takes to its first plan and
to its first alert is told as well.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "support")]

import httpx  # noqa: E402
import numpy as np  # noqa: E402
from daemon import Daemon  # noqa: E402
from real_process import free_port  # noqa: E402
from receivers import WebhookReceiver  # noqa: E402
from scene import Scene, step  # noqa: E402
from watch_room import WatchRoom  # noqa: E402

from contactd.core import instants  # noqa: E402
from contactd.core import record as kinds  # noqa: E402
from contactd.records import Ledger  # noqa: E402

PATHS = ("/api/v1/now", "/api/v1/targets", "/api/v1/alerts", "/", "/api/v1/timeline", "/metrics")
LEAD_S = 5.0


def read_on(
    url: str, readers: int, over: multiprocessing.synchronize.Event, counts: object
) -> None:
    """Readers in a process of their own, each asking again as soon as it is answered."""
    import asyncio

    found = {200: 0, 503: 0, 0: 0}

    async def one(client: httpx.AsyncClient, number: int) -> None:
        turn = number
        while not over.is_set():
            turn += 1
            try:
                answer = await client.get(PATHS[turn % len(PATHS)])
                found[answer.status_code] = found.get(answer.status_code, 0) + 1
                if answer.status_code == 503:
                    await asyncio.sleep(1.0)
            except httpx.HTTPError:
                found[0] += 1

    async def all_of_them() -> None:
        limits = httpx.Limits(max_connections=readers)
        async with httpx.AsyncClient(base_url=url, timeout=60, limits=limits) as client:
            await asyncio.gather(*(one(client, number) for number in range(readers)))

    asyncio.run(all_of_them())
    counts.put(found)


def lateness_s(receiver: WebhookReceiver, ledger: Path, names: set[str]) -> np.ndarray:
    """From when each announcement fell due until the receiver had it (s)."""
    with Ledger.open(f"sqlite:///{ledger}", create=False) as opened:
        due = {
            each.body["identity"]: instants.from_text(each.body["due"])
            for each in opened.records()
            if each.kind == kinds.ALERT_RAISED
            and each.subject.rsplit("/", 1)[-1] in names
            and each.body["kind"] == "step-expiring"
        }
    offset = instants.from_unix(time.time()) - time.monotonic()
    came: dict[str, float] = {}
    for each in receiver.accepted():
        for alert in each.body["alerts"]:
            came.setdefault(alert["identity"], each.at + offset)
    return np.array([came[name] - at for name, at in due.items() if name in came])


def told(what: str, late: np.ndarray) -> None:
    """Print percentiles and a histogram."""
    if not late.size:
        print(f"{what}: none came")
        return
    p50, p99 = np.percentile(late, [50, 99])
    edges = [-1e9, 0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 1e9]
    counts, _ = np.histogram(late, edges)
    shape = "  ".join(
        f"≤{edge:g}s:{count}"
        for edge, count in zip([*edges[1:-1], float("inf")], counts, strict=True)
    )
    print(
        f"{what}: {late.size} alerts, median {p50:.3f} s, p99 {p99:.3f} s, worst {late.max():.3f} s"
    )
    print(f"  {shape}", flush=True)


def clockwork(scene: Scene, first_s: float, count: int, name: str) -> set[str]:
    """Targets of which one step a second expires."""
    names = [f"{name} {number}" for number in range(count)]
    for n, each in enumerate(names):
        scene.write_target(f"Clock {each}", [step(each, in_s=first_s + n)])
    return set(names)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--targets", type=int, default=1000)
    parser.add_argument("--stations", type=int, default=8)
    parser.add_argument("--readers", type=int, default=100)
    parser.add_argument("--seconds", type=int, default=60)
    given = parser.parse_args()
    receiver = WebhookReceiver().start()
    with tempfile.TemporaryDirectory() as folder:
        room = WatchRoom(
            Path(folder) / "room", free_port(), passing=given.targets, stations=given.stations,
            masks=False,
            settings={
                "horizon": {"ahead": "1d", "back": "1h"},
                "alerts": {"step_lead": [f"{LEAD_S:g}s"], "contact_lead": []},
                "channels": [{"kind": "webhook", "name": "desk", "url": receiver.url}],
            },
        )  # fmt: skip
        scene = Scene.__new__(Scene)
        scene.folder, scene.port, scene.settings = room.folder, room.port, {}
        first = clockwork(scene, 30.0, 90, "at the start")
        daemon = Daemon(room)  # type: ignore[arg-type]
        ledger = room.folder / "var" / "ledger.sqlite"
        began = time.monotonic()
        daemon.start()
        try:
            wait(receiver.accepted, 600)
            print(
                f"first alert {receiver.accepted()[0].at - began:.1f} s after the start", flush=True
            )
            wait(lambda: ready(daemon), 900)
            print(f"first plan of all {time.monotonic() - began:.1f} s after the start", flush=True)
            told("while the first plan is made", lateness_s(receiver, ledger, first))
            quiet = clockwork(scene, 25.0, given.seconds, "quiet")
            time.sleep(30 + given.seconds)
            told("nobody reads", lateness_s(receiver, ledger, quiet))
            over, counts = multiprocessing.Event(), multiprocessing.Queue()
            readers = multiprocessing.Process(
                target=read_on, args=(daemon.url, given.readers, over, counts)
            )
            readers.start()
            loud = clockwork(scene, 25.0, given.seconds, "loud")
            time.sleep(30 + given.seconds)
            over.set()
            print(f"answers by status (0: none): {counts.get(timeout=120)}")
            readers.join(60)
            told(f"{given.readers} readers", lateness_s(receiver, ledger, loud))
            print(
                f"memory {memory_mb(daemon.pid):.0f} MB, load {Path('/proc/loadavg').read_text()}"
            )
        finally:
            daemon.clean_up()


def ready(daemon: Daemon) -> bool:
    """Whether the service says that it is ready."""
    try:
        return daemon.get("/health/ready").status_code == 200
    except httpx.TransportError:
        return False


def wait(condition: Callable[[], object], patience_s: float) -> None:
    """Wait for something.

    Raises:
        TimeoutError: if it does not come.
    """
    until = time.monotonic() + patience_s
    while not condition():
        if time.monotonic() > until:
            raise TimeoutError
        time.sleep(0.1)


def memory_mb(pid: int) -> float:
    """What a process holds in memory."""
    text = Path(f"/proc/{pid}/status").read_text()
    return int(text.split("VmRSS:")[1].split()[0]) / 1000


if __name__ == "__main__":
    main()
