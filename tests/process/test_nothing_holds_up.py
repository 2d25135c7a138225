"""Whatever logs, disks and neighbours do, what falls due is told, and nobody works unawares."""

from __future__ import annotations

import fcntl
import os
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon import CONTACTD, Daemon
from real_process import free_port
from receivers import WebhookReceiver
from scene import Scene, step
from waiting import wait_for

from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.records import Ledger

pytestmark = pytest.mark.process

LEAD_S = 5.0
LATE_AT_MOST_S = 5.0
"""Far more than any machine needs, and far less than the trouble lasts."""


def told(receiver: WebhookReceiver) -> dict[str, float]:
    """When which step was announced (monotonic, s)."""
    return {
        alert["subject"].rsplit("/", 1)[-1]: each.at
        for each in reversed(receiver.accepted())
        for alert in each.body["alerts"]
        if alert["kind"] == "step-expiring" and each.body["about"] == "raised"
    }


def watched(scene: Scene, receiver: WebhookReceiver, *in_s: float, **settings: object) -> float:
    """Lay out steps that expire after so many seconds; when that was (monotonic, s)."""
    scene.write(
        "contactd.yaml",
        {
            "http": {"port": scene.port},
            "log": {"format": "json"},
            "alerts": {"step_lead": [f"{LEAD_S:g}s"]},
            "channels": [{"kind": "webhook", "name": "desk", "url": receiver.url}],
            **settings,
        },
    )
    scene.write_target("Quiet Lantern", [step(f"in {each:g}", in_s=each) for each in in_s])
    return time.monotonic()


@pytest.fixture
def full_pipe() -> Iterator[tuple[int, int]]:
    """Both ends of a pipe into which nothing more goes."""
    reader, writer = os.pipe()
    flags = fcntl.fcntl(writer, fcntl.F_GETFL)
    fcntl.fcntl(writer, fcntl.F_SETFL, flags | os.O_NONBLOCK)
    try:
        while True:
            os.write(writer, b"x" * 4096)
    except BlockingIOError:
        fcntl.fcntl(writer, fcntl.F_SETFL, flags)
    yield reader, writer
    os.close(reader)


def test_a_log_that_nobody_reads_holds_up_neither_alerts_nor_health_nor_the_end(
    lay_scene, webhook, full_pipe
):
    scene: Scene = lay_scene()
    laid = watched(scene, webhook, 25.0)
    daemon = Daemon(scene)
    _, writer = full_pipe
    daemon.process = subprocess.Popen(
        [CONTACTD, "run", "--config", scene.config], stderr=writer, cwd=scene.folder
    )
    os.close(writer)
    try:
        wait_for(lambda: told(webhook), "the announcement", 60)
        assert told(webhook)["in 25"] - laid < 25.0 - LEAD_S + LATE_AT_MOST_S
        assert daemon.get("/health/live").status_code == 200
        assert daemon.stop() == 0
    finally:
        daemon.clean_up()


def test_a_ledger_that_another_process_holds_locked_delays_no_alert(
    lay_scene, start_daemon, webhook
):
    scene: Scene = lay_scene()
    laid = watched(scene, webhook, 20.0, 24.0, 28.0)
    daemon = start_daemon(scene)
    holder = sqlite3.connect(ledger_file(scene), isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    wait_for(lambda: "in 28" in told(webhook), "the announcements", 60)
    for name, at in told(webhook).items():
        due = laid + float(name.split()[1]) - LEAD_S
        assert at - due < LATE_AT_MOST_S, (name, at - due)
    assert daemon.get("/health/ready").status_code == 503
    assert "locked" in str(daemon.get("/health/ready").json()["reasons"])
    with Ledger.open(f"sqlite:///{ledger_file(scene)}") as ledger:
        before = [each.kind for each in ledger.records()]
    holder.execute("ROLLBACK")
    holder.close()
    assert kinds.ALERT_RAISED not in before

    def recorded() -> list[str]:
        with Ledger.open(f"sqlite:///{ledger_file(scene)}") as ledger:
            raised = [each.body for each in ledger.records() if each.kind == kinds.ALERT_RAISED]
        return [each["identity"] for each in raised if each["kind"] == "step-expiring"]

    wait_for(lambda: len(recorded()) >= 3, "the announcements to be recorded", 60)
    wait_for(lambda: daemon.get("/health/ready").status_code == 200, "the ledger to be in order")
    assert len(recorded()) == len(set(recorded())) == 3


def test_a_second_service_on_the_same_ledger_refuses_and_says_who_holds_it(
    lay_scene, start_daemon, tmp_path
):
    scene: Scene = lay_scene()
    scene.write_target("Quiet Lantern")
    first = start_daemon(scene)
    other = Scene(tmp_path / "other", free_port())
    other.write("contactd.yaml", {
        "http": {"port": other.port}, "store": {"url": f"sqlite:///{ledger_file(scene)}"},
    })  # fmt: skip
    other.write_target("Quiet Lantern")
    second = Daemon(other)
    second.start()
    try:
        assert second.process is not None
        assert second.process.wait(30) == 3
        assert str(first.pid) in second.output()
        assert "Traceback" not in second.output()
        first.kill()
        second.begin()
    finally:
        second.clean_up()


def ledger_file(scene: Scene) -> Path:
    return scene.folder / "var" / "ledger.sqlite"


def test_a_new_ledger_can_be_read_by_its_owner_alone(tmp_path):
    file = tmp_path / "var" / "ledger.sqlite"
    before = os.umask(0o000)
    try:
        with Ledger.open(f"sqlite:///{file}") as ledger:
            ledger.append([Record(1.0, kinds.REMARK, "s", "Ada", {"text": "t"})])
            modes = {each.name: each.stat().st_mode & 0o777 for each in file.parent.iterdir()}
    finally:
        os.umask(before)
    assert modes == dict.fromkeys(
        ("ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"), 0o600
    )
