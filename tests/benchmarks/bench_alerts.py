"""How fast alerts are decided and delivered: ``python tests/benchmarks/bench_alerts.py``.

Delivery: 1,000 alerts raised at the same moment, a real ledger file, a real receiver in a process
of its own on loopback, over real sockets. The figure is the time from raising (the instant in the
ledger) until the receiver has the alert.

Deciding: 1,000 targets with a week of contacts each; one beat is rules, decision, ledger and fold.
The figure is what a beat costs when targets' matters must be looked at anew, and when not.
"""

from __future__ import annotations

import asyncio
import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from contactd.alerts import AlertState, Leads, Policy, Reach, evaluate, fold_alerts
from contactd.alerts.candidate import Candidate, Candidates, Sort
from contactd.alerts.channels.webhook import WebhookChannel
from contactd.alerts.delivery import Delivery, Terms
from contactd.alerts.grouping import compose
from contactd.alerts.notification import Notification
from contactd.alerts.rules import NOTHING_KEPT, candidates_again
from contactd.core.alert import Severity
from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.instants import from_text, from_unix
from contactd.core.intervals import IntervalSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.outlook import ElementsInUse, Snapshot, TargetOutlook
from contactd.core.record import ALERT_DELIVERED, Record
from contactd.records import Ledger

ALERTS = 1000
TARGETS = 1000
DAY_S = 86_400.0

RECEIVER = """
import asyncio, json, sys, time

times = {}

async def talk(reader, writer):
    try:
        while True:
            head = await reader.readuntil(b"\\r\\n\\r\\n")
            size = int(head.lower().partition(b"content-length:")[2].split(b"\\r\\n")[0])
            body = await reader.readexactly(size)
            if head.startswith(b"GET"):
                answer = json.dumps(times).encode()
                writer.write(b"HTTP/1.1 200 OK\\r\\nContent-Length: %d\\r\\n\\r\\n" % len(answer))
                writer.write(answer)
            else:
                now = time.time()
                for alert in json.loads(body)["alerts"]:
                    times.setdefault(alert["identity"], now)
                writer.write(b"HTTP/1.1 204 No Content\\r\\nContent-Length: 0\\r\\n\\r\\n")
            await writer.drain()
    except asyncio.IncompleteReadError:
        writer.close()

async def main():
    server = await asyncio.start_server(talk, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()

asyncio.run(main())
"""


class Clock:
    """The machine's."""

    def now(self) -> float:
        return from_unix(time.time())

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


def flood(now: float) -> Candidates:
    """A thousand facts that fall due at this moment."""
    return Candidates(
        at=now,
        until=now + 60,
        candidates=tuple(
            Candidate(
                kind="contact-coming",
                sort=Sort.EVENT,
                severity=Severity.CAUTION,
                target=f"Bird {n}",
                subject=f"Bird {n}/Norrsund",
                series=f"contact-coming|Bird {n}|Norrsund",
                what=f"Bird {n} comes into view of Norrsund.",
                do="Have Norrsund ready.",
                due=now,
                moment=now + 600,
                over_at=now + 1200,
                facts={"station": "Norrsund", "max_elevation_deg": 43.0},
            )
            for n in range(ALERTS)
        ),
    )


async def deliver(folder: Path, manners: dict, at_once: int) -> list[float]:
    """Seconds from raising to arrival, in ascending order."""
    receiver = subprocess.Popen([sys.executable, "-c", RECEIVER], stdout=subprocess.PIPE, text=True)
    assert receiver.stdout is not None
    port = int(receiver.stdout.readline())
    with Ledger.open(f"sqlite:///{folder}/ledger.sqlite") as ledger:
        clock = Clock()

        async def record(records) -> None:
            await asyncio.to_thread(ledger.append, records)

        delivery = Delivery(record, clock, random.Random(1))
        channel = WebhookChannel("hook", f"http://127.0.0.1:{port}/", b"a secret of some length")
        delivery.use([(channel, Terms(at_once=at_once))])
        now = clock.now()
        raised_at = time.time()
        stored = ledger.append(evaluate(AlertState(), flood(now), now, None, [Reach("hook")]))
        state = fold_alerts(AlertState(), stored)
        delivery.offer(compose(state, now, manners))
        await delivery.idle()
        await delivery.close()
        assert ledger.verify().intact
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(b"GET / HTTP/1.1\r\nContent-Length: 0\r\n\r\n")
    head = await reader.readuntil(b"\r\n\r\n")
    size = int(head.partition(b"Content-Length: ")[2].split(b"\r\n")[0])
    times = json.loads(await reader.readexactly(size))
    writer.close()
    receiver.kill()
    receiver.wait()
    receiver.stdout.close()
    assert len(times) == ALERTS
    return sorted(each - raised_at for each in times.values())


def fleet(now: float) -> Snapshot:
    """A thousand targets, a week of contacts each."""
    rng = random.Random(7)
    targets = {}
    for n in range(TARGETS):
        name = f"Bird {n}"
        contacts, windows, at = [], [], now - DAY_S + rng.uniform(0, 3000)
        while at < now + 7 * DAY_S:
            los = at + rng.uniform(200, 700)
            contacts.append(
                Contact(name, "Norrsund", at, (at + los) / 2, los, 1, 2, 3, 40.0, 900.0)
            )
            windows.append((at + 20, los - 20))
            at = los + rng.uniform(3000, 9000)
        coverage = IntervalSet.of(windows)
        targets[name] = TargetOutlook(
            target=name,
            span=(now - DAY_S, now + 7 * DAY_S),
            elements=ElementsInUse(now - 3600, "x", 7 * DAY_S, 1.0, OrbitError(1.0)),
            contacts=tuple(contacts),
            services={"command": {"Norrsund": Coverage(coverage, coverage, coverage)}},
        )
    return Snapshot(at=now, planned_at=now, targets=targets)


def decide() -> None:
    """Twenty minutes of a fleet, a beat a second."""
    start = from_text("2026-12-03T12:00:00Z")
    snapshot = fleet(start)
    policy = Policy(Leads())
    state, kept, costs, raised = AlertState(), NOTHING_KEPT, [], 0
    with tempfile.TemporaryDirectory() as folder, Ledger.open(f"sqlite:///{folder}/l") as ledger:
        for second in range(1200):
            now = start + second
            begun = time.perf_counter()
            found, kept = candidates_again(snapshot, policy, now, None, kept)
            made = evaluate(state, found, now, None, [Reach("log")])
            if made:
                state = fold_alerts(state, ledger.append(made))
            for notification in compose(state, now):
                state = fold_alerts(state, ledger.append([delivered(notification, now)]))
            costs.append(time.perf_counter() - begun)
            raised += len(made)
    costs.sort()
    half, most, all_ = (1e3 * quantile(costs, part) for part in (0.5, 0.99, 1.0))
    print(
        f"deciding: {raised} alerts of {TARGETS} targets in 20 min; a beat costs {half:.1f} ms "
        f"(median), {most:.1f} ms (p99), {all_:.1f} ms (most)"
    )


def delivered(notification: Notification, now: float) -> Record:
    """The record of a channel that takes everything at once."""
    body = {
        "message": notification.key,
        "channel": notification.channel,
        "parts": list(notification.parts),
        "alerts": [alert.identity for alert in notification.alerts],
        "attempts": 1,
    }
    return Record(now, ALERT_DELIVERED, notification.alerts[0].subject, "contactd", body)


def quantile(values: list[float], part: float) -> float:
    """The value below which this part of sorted values lies."""
    return values[min(int(len(values) * part), len(values) - 1)]


def main() -> None:
    from contactd.alerts.escalation_policy import Manner

    for name, manner, at_once in (
        ("one message each", Manner(flood_from=10_000), 8),
        ("as shipped: a flood goes together", Manner(), 8),
    ):
        with tempfile.TemporaryDirectory() as folder:
            took = asyncio.run(deliver(Path(folder), {"hook": manner}, at_once))
        print(
            f"delivery of {ALERTS} at once, {name}: "
            f"{quantile(took, 0.5):.3f} s (median), {quantile(took, 0.99):.3f} s (p99)"
        )
    decide()


if __name__ == "__main__":
    main()
