"""Two real services on one real PostgreSQL, each over a cable of its own, and one who is told."""

from __future__ import annotations

import shutil
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from cable import Cable
from daemon import Daemon
from postgres import Postgres
from real_process import free_port
from receivers import Received, WebhookReceiver
from scene import STARTED_BEFORE_S, Scene, step
from waiting import wait_for

from contactd.faces.tokens import Role, new_token
from contactd.records import Ledger

TARGET = "Quiet Lantern"


class Node(Daemon):
    """One of the two: ``contactd run`` with the ledger at the other end of a cable.

    Attributes:
        operator: the secret of an operator's token.
    """

    def __init__(self, name: str, folder: Path, cable: Cable, url: str, **settings: Any) -> None:
        where = url.replace(f":{url.rsplit(':', 1)[1].split('/')[0]}/", f":{cable.port}/")
        port = free_port()
        http = {"port": port, "tokens_file": "tokens"}
        given = {"store": {"url": where}, "pair": {"name": name}, "http": http, **settings}
        scene = Scene(folder / name, port, given)
        self.operator, token = new_token("Ada", Role.OPERATOR)
        scene.write("tokens", token.line() + "\n")
        super().__init__(scene)
        self.name, self.cable = name, cable

    def leads(self) -> bool:
        """Whether it says that it leads."""
        return self.metric("contactd_pair_leads") == 1.0

    def role(self) -> str:
        """What it says of itself: ``leads`` or ``follows``."""
        return str(self.get("/health/ready").json().get("role"))


class PairOfServices:
    """Both, the database and the receiver.

    Attributes:
        nodes: in the order in which they were started first.
    """

    def __init__(self, folder: Path, postgres: Postgres, **settings: Any) -> None:
        self.url = postgres.url(f"pair-{folder.name}")
        self.postgres = postgres
        self.receiver = WebhookReceiver().start()
        channel = {
            "kind": "webhook",
            "name": "desk",
            "url": self.receiver.url,
            "timeout": "2s",
            "send_acknowledged": True,
        }
        given = {"channels": [channel], "alerts": {"step_lead": "1s"}, **settings}
        self.nodes = [
            Node(name, folder, Cable(postgres.port), self.url, **given) for name in ("hill", "dale")
        ]

    def write_target(self, steps: Sequence[Mapping[str, Any]]) -> None:
        """The same target in both configurations."""
        path = self.nodes[0].scene.write_target(TARGET, steps)
        self._laid_at, self._steps = time.monotonic(), steps
        for other in self.nodes[1:]:
            draft = other.scene.folder / "draft"
            shutil.copyfile(path, draft)
            draft.replace(other.scene.config / "targets" / path.name)

    def begin(self) -> None:
        """Start both, the first before the other, and wait until both are ready."""
        for node in self.nodes:
            node.begin()

    def leader(self) -> Node:
        """The one that leads."""
        return wait_for(self._leader, "one of the two to lead")

    def follower(self) -> Node:
        """The other one."""
        leader = self.leader()
        return next(node for node in self.nodes if node is not leader)

    def _leader(self) -> Node | None:
        leading = [node for node in self.nodes if node.running() and node.leads()]
        assert len(leading) < 2, "both say that they lead"
        return leading[0] if leading else None

    def ledger(self) -> Ledger:
        """The ledger itself, past all cables."""
        return Ledger.open(self.url, create=False)

    def clean_up(self) -> None:
        """Leave nothing behind."""
        for node in self.nodes:
            node.clean_up()
            node.cable.remove()
        self.receiver.stop()

    # What was told.

    def told(self, since: float = 0.0) -> list[Received]:
        """What the receiver accepted from a moment of the monotonic clock on (s)."""
        return [each for each in self.receiver.accepted() if each.at >= since]

    def first_told_under(self, fence_above: int) -> Received | None:
        """The first message under a later lead than that."""
        found = (each for each in self.told() if fence_of(each) > fence_above)
        return min(found, key=lambda each: each.at, default=None)

    def untold(self, names: Sequence[str]) -> set[str]:
        """Subjects of those of these steps that were not told to have run out."""
        return {f"{TARGET}/wake-up/{name}" for name in names} - {
            alert["subject"]
            for each in self.told()
            for alert in each.body["alerts"]
            if alert["kind"] == "step-expired"
        }

    def due_by_now(self, grace_s: float) -> list[str]:
        """Names of the steps that ran out at least so long ago."""
        since_s = time.monotonic() - self._laid_at - grace_s + STARTED_BEFORE_S
        return [each["name"] for each in self._steps if float(each["delay"][:-1]) < since_s]

    def told_twice(self) -> dict[str, list[Received]]:
        """Messages that were accepted more than once, by their keys."""
        copies: dict[str, list[Received]] = {}
        for each in self.told():
            copies.setdefault(each.headers["idempotency-key"], []).append(each)
        return {key: some for key, some in copies.items() if len(some) > 1}


def fence_of(message: Received) -> int:
    """The number of the lead under which a message was sent."""
    return int(message.headers["contactd-fence"])


def steps_every(seconds: float, count: int, first_s: float = 3.0) -> list[dict[str, Any]]:
    """Steps that run out one after the other."""
    return [step(f"step {n:03}", in_s=first_s + seconds * n) for n in range(count)]
