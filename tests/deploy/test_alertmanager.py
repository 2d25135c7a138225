"""The Alertmanager example, judged by its own tool and by the real program."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import yaml
from programs import program
from receivers import WebhookReceiver
from waiting import wait_for
from watchers import DEPLOY, Alertmanager

SHIPPED = DEPLOY / "alertmanager" / "alertmanager.yml"
STEP = {"instance": "a", "target": "Lantern 3", "sequence": "wake-up", "step": "release"}

pytestmark = pytest.mark.process


@pytest.fixture
def alertmanager(tmp_path: Path) -> Iterator[Alertmanager]:
    receiver = WebhookReceiver().start()
    made = Alertmanager(tmp_path / "alertmanager", receiver.url)
    made.begin()
    yield made
    made.clean_up()
    receiver.stop()


def amtool(*arguments: object) -> str:
    command = [str(program("amtool")), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout.strip()


def post(server: Alertmanager, *labels: dict[str, str]) -> None:
    url = f"http://127.0.0.1:{server.port}/api/v2/alerts"
    answer = httpx.post(url, json=[{"labels": each} for each in labels], timeout=10)
    assert answer.status_code == 200, answer.text


def inhibited(server: Alertmanager) -> set[str]:
    """Names of the alerts that are not told because of others."""
    alerts = server.get("/api/v2/alerts")
    return {each["labels"]["alertname"] for each in alerts if each["status"]["inhibitedBy"]}


def test_its_own_tool_accepts_the_example():
    assert "SUCCESS" in amtool("check-config", SHIPPED)


@pytest.mark.parametrize(
    ("severity", "receivers"),
    [("warning", "on-call,console"), ("caution", "console"), ("advisory", "log-book")],
)
def test_each_severity_goes_where_it_should(severity, receivers):
    routed = amtool("config", "routes", "test", "--config.file", SHIPPED, f"severity={severity}")
    assert routed.splitlines()[-1] == receivers


def test_of_a_service_that_is_not_there_nothing_else_is_news_but_what_waits(alertmanager):
    here = {"instance": "a"}
    post(
        alertmanager,
        {"alertname": "ContactdAbsent", "severity": "warning", **here},
        {"alertname": "ContactdPlanStale", "severity": "caution", **here},
        {"alertname": "ContactdConfigurationRefused", "severity": "caution", "instance": "b"},
        {"alertname": "ContactdWarningWaits", "severity": "warning", **STEP},
    )
    wait_for(lambda: inhibited(alertmanager) == {"ContactdPlanStale"}, "the inhibition")


def test_every_alert_that_an_inhibition_names_is_one_of_the_rules():
    rules = yaml.safe_load((DEPLOY / "prometheus/contactd.rules.yml").read_text())
    known = {rule.get("alert") for group in rules["groups"] for rule in group["rules"]}
    for inhibition in yaml.safe_load(SHIPPED.read_text())["inhibit_rules"]:
        for matcher in inhibition["source_matchers"] + inhibition["target_matchers"]:
            names = matcher.split("=")[1].strip('~"')
            prefix, _, rest = names.partition("(")
            several = [prefix + end for end in rest.rstrip(")").split("|")] if rest else None
            for name in several or names.split("|"):
                assert name in known, name
