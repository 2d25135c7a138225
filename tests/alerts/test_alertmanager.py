"""Alerts to a real Alertmanager on loopback."""

import time
from dataclasses import replace

import httpx
import pytest
from programs import program
from real_process import RealProcess, free_port
from waiting import wait_for

from contactd.alerts.channels.alertmanager import AlertmanagerChannel
from contactd.alerts.notification import About
from contactd.core.errors import DeliveryError
from contactd.core.instants import from_unix

pytestmark = pytest.mark.process


@pytest.fixture(scope="module")
def alertmanager(tmp_path_factory):
    folder = tmp_path_factory.mktemp("alertmanager")
    port = free_port()
    (folder / "alertmanager.yml").write_text(
        "route: {receiver: nobody}\nreceivers: [{name: nobody}]\n"
    )
    process = RealProcess(
        [
            program("alertmanager"),
            f"--config.file={folder}/alertmanager.yml",
            f"--storage.path={folder}/data",
            f"--web.listen-address=127.0.0.1:{port}",
            "--cluster.listen-address=",
        ],
        folder / "alertmanager.log",
    )
    url = f"http://127.0.0.1:{port}"

    def is_ready() -> bool:
        assert process.running(), process.output()[-2000:]
        try:
            return httpx.get(f"{url}/-/ready", timeout=5).status_code == 200
        except httpx.TransportError:
            return False

    process.start()
    wait_for(is_ready, "Alertmanager to be ready")
    yield url
    process.stop()


def standing(url: str, identity: str) -> list[dict]:
    answer = httpx.get(
        f"{url}/api/v2/alerts", params={"filter": f'identity="{identity}"'}, timeout=5
    )
    return answer.json()


def current(letters, identity: str, **more):
    """The invented alert, as if it were of this very moment."""
    now = from_unix(time.time())
    times = {"due": now - 1, "moment": now + 3000, "over_at": now + 3060} | more
    return replace(letters.alert, identity=identity, **times), now


async def test_an_alert_stands_there_with_its_labels_its_words_and_its_end(alertmanager, letters):
    alert, now = current(letters, "one")
    channel = AlertmanagerChannel("am", alertmanager, {"site": "hill"})
    notification = letters.notification(alert, at=now, links={"one": "https://watch.example/a/1"})
    await channel.send(notification)
    await channel.close()
    (found,) = wait_for(lambda: standing(alertmanager, "one"), "the alert")
    assert found["labels"] == {
        "alertname": "step-uncovered",
        "severity": "warning",
        "identity": "one",
        "subject": "Lantern 3/wake-up/antenna release",
        "target": "Lantern 3",
        "site": "hill",
    }
    assert found["annotations"]["summary"] == alert.what
    assert found["annotations"]["description"] == alert.do
    assert "in 50 min" in found["annotations"]["when"]
    assert found["generatorURL"] == "https://watch.example/a/1"
    assert found["status"]["state"] == "active"


async def test_a_resolved_alert_stands_there_no_more(alertmanager, letters):
    alert, now = current(letters, "two", over_at=float("inf"))
    channel = AlertmanagerChannel("am", alertmanager)
    await channel.send(letters.notification(alert, at=now))
    wait_for(lambda: standing(alertmanager, "two"), "the alert")
    await channel.send(letters.notification(alert, about=About.RESOLVED, at=from_unix(time.time())))
    await channel.close()
    wait_for(lambda: not standing(alertmanager, "two"), "the alert to be gone")


async def test_the_same_alert_twice_is_one_alert_there(alertmanager, letters):
    alert, now = current(letters, "three")
    channel = AlertmanagerChannel("am", alertmanager)
    for later in (0.0, 1.0):
        await channel.send(letters.notification(alert, at=now + later))
    await channel.close()
    assert len(wait_for(lambda: standing(alertmanager, "three"), "the alert")) == 1


async def test_an_alert_of_the_service_itself_has_no_target(alertmanager, letters):
    alert, now = current(letters, "four")
    alert = replace(alert, target="", subject="contactd")
    channel = AlertmanagerChannel("am", alertmanager)
    await channel.send(letters.notification(alert, at=now, remark="nobody has acknowledged it"))
    await channel.close()
    (found,) = wait_for(lambda: standing(alertmanager, "four"), "the alert")
    assert "target" not in found["labels"]
    assert found["annotations"]["remark"] == "nobody has acknowledged it"


async def test_many_alerts_go_in_one_request(alertmanager, letters):
    alerts = [current(letters, f"many-{n}")[0] for n in range(50)]
    channel = AlertmanagerChannel("am", alertmanager)
    await channel.send(letters.notification(*alerts, at=alerts[0].due + 1))
    await channel.close()
    wait_for(lambda: all(standing(alertmanager, f"many-{n}") for n in range(50)), "all of them")


async def test_what_alertmanager_refuses_is_not_tried_again(alertmanager, letters):
    alert, now = current(letters, "five")
    channel = AlertmanagerChannel("am", alertmanager, {"not a label!": "x"})
    with pytest.raises(DeliveryError, match="answered 400") as caught:
        await channel.send(letters.notification(alert, at=now))
    await channel.close()
    assert not caught.value.worth_retrying


async def test_an_acknowledgement_has_no_counterpart_there(alertmanager, letters):
    alert, now = current(letters, "six")
    channel = AlertmanagerChannel("am", alertmanager)
    await channel.send(letters.notification(alert, about=About.ACKNOWLEDGED, at=now))
    await channel.close()
    assert not standing(alertmanager, "six")
