"""Alerts over real sockets to receivers that are slow, broken or away."""

from __future__ import annotations

import os
import random
import time
from collections import Counter

import pytest
from receivers import WebhookReceiver
from scene import Scene, step
from waiting import wait_for

from contactd.core import record as kinds
from contactd.records import Ledger

pytestmark = pytest.mark.process
KILLS = int(os.environ.get("CONTACTD_KILLS", "5"))


def channel(receiver: WebhookReceiver, name: str = "desk", **more) -> dict:
    return {"kind": "webhook", "name": name, "url": receiver.url, **more}


def alerts(receiver: WebhookReceiver, kind: str = "") -> list[dict]:
    """Alerts that the receiver has accepted, in order of arrival."""
    return [
        alert
        for each in receiver.accepted()
        for alert in each.body["alerts"]
        if each.body["about"] == "raised" and kind in ("", alert["kind"])
    ]


def ledger_of(scene: Scene) -> Ledger:
    return Ledger.open(f"sqlite:///{scene.folder}/var/ledger.sqlite", create=False)


def test_a_step_that_will_run_out_of_view_is_a_warning_as_soon_as_it_is_known(
    lay_scene, start_daemon, webhook
):
    scene = lay_scene(channels=[channel(webhook)])
    # Ranging is what no station of the scene offers.
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=7200, service="ranging")])
    start_daemon(scene)
    (alert,) = wait_for(lambda: alerts(webhook, "step-uncovered"), "the warning")
    assert alert["severity"] == "warning"
    assert alert["target"] == "Quiet Lantern"
    assert alert["subject"] == "Quiet Lantern/wake-up/beacon on"
    assert alert["late"] is False
    for part in ("what", "when", "do"):
        assert alert[part]
    headers = next(each.headers for each in webhook.accepted() if alert in each.body["alerts"])
    assert headers["idempotency-key"] == alert["identity"]


@pytest.mark.parametrize("trouble", ["away", "answers 500", "slow"])
def test_what_a_receiver_in_trouble_misses_it_gets_when_it_is_well(
    lay_scene, start_daemon, webhook, trouble
):
    steady = WebhookReceiver().start()
    desk = channel(webhook, timeout="500ms")
    scene = lay_scene(channels=[desk, channel(steady, "steady")])
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=7200, service="ranging")])
    if trouble == "away":
        webhook.stop()
    elif trouble == "answers 500":
        webhook.answer = 500
    else:
        webhook.delay_s = 2.0
    daemon = start_daemon(scene)

    # The other channel does not wait for the one in trouble.
    wait_for(lambda: alerts(steady, "step-uncovered"), "the warning at the steady receiver")
    wait_for(
        lambda: (daemon.metric("contactd_alert_delivery_failures_total", channel="desk") or 0) >= 2,
        "failed attempts to be counted",
    )
    assert not daemon.metric("contactd_alerts_delivered_total", channel="desk")

    webhook.answer, webhook.delay_s = 204, 0.0
    if trouble == "away":
        webhook.start()
    since = len(webhook.received)

    def arrived() -> bool:
        found = [each for each in webhook.received[since:] if each.answer == 204]
        return any(
            alert["kind"] == "step-uncovered" for each in found for alert in each.body["alerts"]
        )

    wait_for(arrived, "the warning at the receiver that is well again")
    wait_for(
        lambda: daemon.metric("contactd_alerts_delivered_total", channel="desk"),
        "the delivery to be counted",
    )
    steady.stop()


def test_no_alert_is_lost_or_raised_twice_when_the_process_is_killed_again_and_again(
    lay_scene, start_daemon, webhook
):
    """Steps run out every second and a half while the process is killed at any moment.

    More kills on demand: CONTACTD_KILLS=200.
    """
    chance = random.Random(20261125)
    scene = lay_scene(channels=[channel(webhook)], alerts={"step_lead": "1s"})
    names = [f"step {number:03}" for number in range(2 * KILLS)]
    scene.write_target(
        "Quiet Lantern", [step(name, in_s=4 + 1.5 * number) for number, name in enumerate(names)]
    )
    daemon = start_daemon(scene)
    for _ in range(KILLS):
        time.sleep(chance.uniform(0.1, 2.5))
        daemon.kill()
        daemon.begin()
    expired = {f"Quiet Lantern/wake-up/{name}" for name in names}

    def told() -> bool:
        return expired <= {alert["subject"] for alert in alerts(webhook, "step-expired")}

    wait_for(told, "every step that ran out to be told", patience_s=60 + 4 * KILLS)
    with ledger_of(scene) as ledger:

        def settled() -> bool:
            records = list(ledger.records())
            raised = {each.body["identity"] for each in records if each.kind == kinds.ALERT_RAISED}
            arrived = {alert["identity"] for alert in alerts(webhook)}
            return raised <= arrived

        wait_for(settled, "every alert in the ledger to have arrived")
        daemon.stop()
        records = list(ledger.records())
        verification = ledger.verify()
    assert verification.intact, verification
    raised = Counter(each.body["identity"] for each in records if each.kind == kinds.ALERT_RAISED)
    assert max(raised.values()) == 1
    facts = Counter(
        (alert["kind"], alert["subject"], alert["facts"].get("lead_s"))
        for alert in {alert["identity"]: alert for alert in alerts(webhook)}.values()
        if alert["kind"] != "alerts-missed"  # one for each time that the service was down
    )
    assert max(facts.values()) == 1, facts.most_common(3)
    assert {alert["identity"] for alert in alerts(webhook)} <= set(raised)
    starts = [each for each in records if each.kind == kinds.SERVICE_STARTED]
    assert len(starts) == KILLS + 1


def test_what_fell_due_while_the_service_was_down_comes_late_or_is_summed_up(
    lay_scene, start_daemon, webhook
):
    scene = lay_scene(channels=[channel(webhook)], alerts={"step_lead": "1s"})
    daemon = start_daemon(scene)
    laid = time.monotonic()
    scene.write_target("Quiet Lantern", [step("receiver on", in_s=8)])
    wait_for(lambda: daemon.metric("contactd_step_remaining_seconds", bound="nominal"), "the step")
    daemon.kill()
    assert time.monotonic() - laid < 6, "the machine is too slow for what this test is about"
    time.sleep(laid + 9 - time.monotonic())
    daemon.begin()
    (expired,) = wait_for(lambda: alerts(webhook, "step-expired"), "the step that ran out")
    assert expired["late"] is True
    (summary,) = wait_for(lambda: alerts(webhook, "alerts-missed"), "the summary of what is over")
    assert summary["severity"] == "caution"
    assert not alerts(webhook, "step-expiring"), "its matter was over"
    with ledger_of(scene) as ledger:
        missed = [each for each in ledger.records() if each.kind == kinds.ALERT_MISSED]
    assert len(missed) == 1
    assert daemon.metric("contactd_alerts_missed_total") == 1
