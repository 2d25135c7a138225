"""A leader whose packets to the ledger disappear, in a network namespace of its own."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import cable
import pytest
from cable import Cable
from namespace import Namespace
from pair import PairOfServices, fence_of, steps_every
from real_process import RealProcess, free_port
from waiting import wait_for

pytestmark = pytest.mark.process

WITHIN_S = 5.0
GRANTED_S = 2.0
"""For a machine that is busy with other tests."""


@pytest.fixture
def namespace() -> Iterator[Namespace]:
    made = Namespace()
    yield made
    made.remove()


def test_a_leader_whose_packets_to_the_ledger_disappear_is_followed_and_sends_nothing(
    namespace, postgres, tmp_path
):
    pair = PairOfServices(tmp_path, postgres)
    hill, dale = pair.nodes
    # What hill reaches from inside, and where it is reached from outside.
    outside = [
        Cable(postgres.port, namespace.ledger, hill.cable.port),
        Cable(pair.receiver.port, namespace.desk, pair.receiver.port),
    ]
    door_port = free_port()
    door = RealProcess(
        namespace.within(
            [sys.executable, str(Path(cable.__file__)), str(hill.scene.port), namespace.inside,
             str(door_port)]
        ),
        tmp_path / "door.log",
    )  # fmt: skip
    settings = hill.scene.config / "contactd.yaml"
    text = settings.read_text()
    text = text.replace(f"127.0.0.1:{hill.cable.port}", f"{namespace.ledger}:{hill.cable.port}")
    text = text.replace(pair.receiver.url, pair.receiver.url.replace("127.0.0.1", namespace.desk))
    settings.write_text(text.replace("http:\n", f"http:\n  hosts: [{namespace.inside}]\n"))
    hill.command = namespace.within(hill.command)
    hill.address = f"http://{namespace.inside}:{door_port}"
    pair.write_target(steps_every(1.0, 60, first_s=6.0))
    try:
        door.start()
        pair.begin()
        assert (hill.role(), dale.role()) == ("leads", "follows")
        wait_for(lambda: pair.told(), "the first alert, from inside the namespace")

        namespace.cut_off_ledger()
        since = time.monotonic()
        first = wait_for(lambda: pair.first_told_under(1), "the first alert of the other")
        took_s = first.at - since
        assert took_s < WITHIN_S + GRANTED_S, f"{took_s:.1f} s"

        # The desk can be reached from inside all the time, and hears nothing from there.
        wait_for(lambda: hill.get("/health/ready").status_code == 503, "hill to say that it is off")
        namespace.mend()
        wait_for(lambda: hill.role() == "follows", "hill to follow")
        fences = [fence_of(each) for each in sorted(pair.told(), key=lambda each: each.at)]
        assert fences == sorted(fences)
        due = pair.due_by_now(grace_s=2.0)
        wait_for(lambda: not pair.untold(due), "every step that ran out to be told")
    finally:
        pair.clean_up()
        door.clean_up()
        for each in outside:
            each.remove()
