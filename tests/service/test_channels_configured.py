"""Channels, escalation, links and the sign of life as ``contactd.yaml`` says, for real."""

import asyncio
import json
import stat
from pathlib import Path

import pytest
from receivers import WebhookReceiver
from scene import Scene, now, step
from watch import Watch

from contactd.core import record as kinds
from contactd.records import Ledger
from contactd.service.clock import SimulatedClock

PROGRAM = """#!/bin/sh
cat >> "$(dirname "$0")/told.jsonl"
"""


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(now())


@pytest.fixture
def program(tmp_path: Path) -> Path:
    """A program that keeps what it is told."""
    path = tmp_path / "tell"
    path.write_text(PROGRAM)
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def told(program: Path) -> list[dict]:
    file = program.with_name("told.jsonl")
    return [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []


async def until(look, what: str):
    """What ``look`` finds, as soon as it finds anything: real programs take real time."""
    for _ in range(2000):
        found = look()
        if found:
            return found
        await asyncio.sleep(0.01)
    raise AssertionError(f"waited in vain for {what}")


async def beats_until(watch: Watch, look, what: str):
    """As :func:`until`, while time passes slowly enough for real programs to keep up."""
    for _ in range(120):
        found = look()
        if found:
            return found
        await watch.beats(1)
        await asyncio.sleep(0.1)
    raise AssertionError(f"waited in vain for {what}")


def scene(tmp_path: Path, **settings) -> Scene:
    return Scene(tmp_path, 1, settings)


async def test_an_alert_is_raised_at_the_very_moment_at_which_it_falls_due(tmp_path, clock):
    laid = scene(tmp_path, alerts={"step_lead": ["5min"]})
    laid.write_target("Quiet Lantern", [step("beacon on", in_s=330.37)])
    watch = Watch(laid.config, clock)
    await watch.begin()
    await watch.beats(40, every_s=1.0)
    (alert,) = watch.raised("step-expiring")
    due = watch.daemon.state.alerts.tracked[alert.body["identity"]].alert.due
    # Between two beats of a second: whoever waited for the next beat would be late by part of one.
    assert 0.0 <= alert.at - due < 0.05
    await watch.end()


async def test_a_program_is_told_and_nobody_acknowledging_it_climbs_the_ladder(
    tmp_path, clock, program
):
    laid = scene(
        tmp_path,
        alerts={"step_lead": []},
        channels=[{"kind": "executable", "name": "horn", "command": [str(program)],
                   "kinds": ["ledger-trouble"]}],
        acknowledgement={
            "roles": [{"name": "lead", "duty": {"channels": ["horn"]}}],
            "escalate": [{"after": "5min", "to": "lead"}],
        },
    )  # fmt: skip
    laid.write_target("Quiet Lantern", [step("release", in_s=3000.0, service="ranging")])
    watch = Watch(laid.config, clock)
    await watch.begin()
    assert watch.raised("step-uncovered")
    await watch.beats(29, every_s=10.0)
    assert not told(program)
    (message,) = await beats_until(watch, lambda: told(program), "the escalation")
    assert message["about"] == "escalated"
    assert message["remark"] == "nobody has acknowledged it; now told to: lead"
    assert message["alerts"][0]["kind"] == "step-uncovered"
    assert len(watch.records(kinds.ALERT_ESCALATED)) == 1
    await watch.end()


async def test_a_channel_that_cannot_be_made_is_told_of_and_the_service_goes_on(
    tmp_path, clock, program
):
    mail = {
        "kind": "mail", "name": "mail", "host": "mail.example", "sender": "nobody at all",
        "recipients": ["ada@contactd.example"],
    }  # fmt: skip
    horn = {"kind": "executable", "name": "horn", "command": [str(program)],
            "kinds": ["channel-failing"]}  # fmt: skip
    laid = scene(tmp_path, channels=[mail, horn])
    laid.write_target("Quiet Lantern", [step("release", in_s=3000.0, service="ranging")])
    watch = Watch(laid.config, clock)
    await watch.begin()
    await watch.beats(55)
    (message,) = await beats_until(watch, lambda: told(program), "the caution")
    assert "Channel 'mail' failing since" in message["alerts"][0]["what"]
    assert "e-mail address" in message["alerts"][0]["what"]
    await watch.end()


async def test_messages_carry_a_link_that_only_this_service_can_have_made(tmp_path, clock, program):
    laid = scene(
        tmp_path,
        channels=[{"kind": "executable", "name": "horn", "command": [str(program)]}],
        acknowledgement={
            "links": {"base_url": "https://watch.example/acknowledge", "secret_file": "links"}
        },
    )
    (laid.config / "links").write_text("a secret of some length\n")
    laid.write_target("Quiet Lantern", [step("release", in_s=3000.0, service="ranging")])
    watch = Watch(laid.config, clock)
    await watch.begin()
    messages = await until(lambda: told(program), "a message")
    alert = messages[0]["alerts"][0]
    base, _, text = alert["acknowledge"].rpartition("/")
    assert base == "https://watch.example/acknowledge"
    assert watch.daemon.tickets.read(text, clock.now()).identity == alert["identity"]
    await watch.end()


async def test_the_sign_of_life_is_sent_while_all_is_well_and_names_the_end_of_the_chain(
    tmp_path, clock
):
    watcher = WebhookReceiver().start()
    laid = scene(tmp_path, heartbeat={"url": watcher.url, "every": "30s"})
    laid.write_target("Quiet Lantern")
    watch = Watch(laid.config, clock)
    await watch.daemon.begin()
    await watch.daemon.look_after_life()
    assert not watcher.received, "before the first plan is complete all is not well"
    await watch.settle()
    for turn in range(1, 4):
        await watch.daemon.look_after_life()
        await until(lambda turn=turn: len(watcher.received) == turn, "a sign of life")
        await watch.beats(1)
        await watch.daemon.look_after_life()
        await watch.beats(3, every_s=10.0)
    assert len(watcher.received) == 3
    sign = watcher.received[-1].body
    assert sign["service"] == "contactd"
    with Ledger.open(watch.url) as ledger:
        digests = {link.record.number: link.digest for link in ledger.links()}
    assert digests[sign["records"]] == sign["digest"]
    await watch.end()
    watcher.stop()


async def test_a_silenced_kind_of_channel_hears_only_what_it_is_meant_to(tmp_path, clock, program):
    laid = scene(
        tmp_path,
        channels=[
            {"kind": "executable", "name": "horn", "command": [str(program)],
             "least_severity": "warning", "targets": ["Far Lantern"]}
        ],
    )  # fmt: skip
    for name in ("Quiet Lantern", "Far Lantern"):
        laid.write_target(name, [step("release", in_s=3000.0, service="ranging")])
    watch = Watch(laid.config, clock)
    await watch.begin()
    messages = await until(lambda: told(program), "a message")
    assert {alert["target"] for each in messages for alert in each["alerts"]} == {"Far Lantern"}
    assert {each["severity"] for each in messages} == {"warning"}
    await watch.end()
