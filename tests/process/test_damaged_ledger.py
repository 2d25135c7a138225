"""A ledger that is damaged is noticed, told and kept; somebody watches all the same."""

from __future__ import annotations

import sqlite3
import subprocess
from pathlib import Path

import pytest
from daemon import CONTACTD
from receivers import WebhookReceiver
from scene import Scene, step
from waiting import wait_for

from contactd.records import Ledger

pytestmark = pytest.mark.process
PAGE_BYTES = 4096


def laid(scene: Scene, receiver: WebhookReceiver, **settings: object) -> Path:
    scene.write(
        "contactd.yaml",
        {
            "http": {"port": scene.port},
            "log": {"format": "json"},
            "channels": [{"kind": "webhook", "name": "desk", "url": receiver.url}],
            **settings,
        },
    )
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=7200, service="ranging")])
    return scene.folder / "var" / "ledger.sqlite"


def heard(receiver: WebhookReceiver, kind: str) -> list[dict]:
    return [
        alert
        for each in receiver.accepted()
        for alert in each.body["alerts"]
        if alert["kind"] == kind and each.body["about"] == "raised"
    ]


def spoil(file: Path) -> None:
    """Overwrite all but the first page, as a failing disk might."""
    with sqlite3.connect(file) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    size = file.stat().st_size
    # Of a file that the service has open: written by another process, whose locks are its own.
    script = f"import sys; f = open(sys.argv[1], 'r+b'); f.seek({PAGE_BYTES}); " + (
        f"f.write(b'\\xa5' * ({size} - {PAGE_BYTES})); f.close()"
    )
    subprocess.run(["python3", "-c", script, str(file)], check=True)


def test_damage_under_a_running_service_is_a_warning_within_seconds(
    lay_scene, start_daemon, webhook
):
    scene = lay_scene()
    file = laid(scene, webhook)
    daemon = start_daemon(scene)
    wait_for(lambda: heard(webhook, "step-uncovered"), "the first warning")
    spoil(file)
    (alert,) = wait_for(lambda: heard(webhook, "ledger-trouble"), "the warning of damage", 60)
    assert alert["severity"] == "warning"
    assert "damaged" in alert["what"]
    assert daemon.get("/health/live").status_code == 200


@pytest.mark.parametrize("with_copy", [False, True])
def test_a_start_on_a_damaged_ledger_watches_on_and_keeps_it(
    lay_scene, start_daemon, webhook, with_copy
):
    scene = lay_scene()
    copies = scene.folder / "copies"
    file = laid(scene, webhook, ledger={"backup": {"to": str(copies), "every": "1d", "keep": 3}})
    daemon = start_daemon(scene)
    wait_for(lambda: heard(webhook, "step-uncovered"), "the first warning")
    daemon.stop()
    with Ledger.open(f"sqlite:///{file}") as ledger:
        known = ledger.last_number()
    if with_copy:
        copies.mkdir()
        run("ledger", "backup", str(copies), "--config", str(scene.config))
    spoil(file)
    before = len(heard(webhook, "step-uncovered"))
    daemon.start()
    (alert,) = wait_for(lambda: heard(webhook, "ledger-trouble"), "the warning of damage", 60)
    assert "was damaged" in alert["what"]
    assert [each for each in file.parent.iterdir() if ".damaged-" in each.name]
    ready = daemon.get("/health/ready")
    assert ready.status_code == 503
    assert "damaged" in str(ready.json()["reasons"])
    with Ledger.open(f"sqlite:///{file}") as ledger:
        kept = ledger.last_number()
    if with_copy:
        assert kept >= known
        # What the copy says was delivered is not sent again.
        assert len(heard(webhook, "step-uncovered")) == before
    else:
        wait_for(lambda: len(heard(webhook, "step-uncovered")) > before, "the warning, again")


def test_what_a_copy_says_was_sent_is_not_sent_again_after_it_is_put_back(
    lay_scene, start_daemon, webhook
):
    scene = lay_scene()
    file = laid(scene, webhook)
    daemon = start_daemon(scene)
    wait_for(lambda: heard(webhook, "step-uncovered"), "the first warning")
    copy = scene.folder / "copy.sqlite"
    wait_for(lambda: delivered(file), "the delivery to be recorded")
    run("ledger", "backup", str(copy), "--config", str(scene.config))
    refused = command("ledger", "restore", str(copy), "--config", str(scene.config))
    assert refused.returncode != 0
    assert str(daemon.pid) in refused.stderr
    daemon.kill()
    run("ledger", "restore", str(copy), "--config", str(scene.config))
    daemon.begin()
    with Ledger.open(f"sqlite:///{file}") as ledger:
        wait_for(
            lambda: sum(each.kind == "service-caught-up" for each in ledger.records()) == 2,
            "the service to have caught up",
        )
    assert len(heard(webhook, "step-uncovered")) == 1


def delivered(file: Path) -> bool:
    with Ledger.open(f"sqlite:///{file}") as ledger:
        return any(
            each.kind == "alert-delivered" and each.body["channel"] == "desk"
            for each in ledger.records()
        )


def command(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([CONTACTD, *arguments], capture_output=True, text=True, check=False)


def run(*arguments: str) -> None:
    done = command(*arguments)
    assert done.returncode == 0, done.stderr
