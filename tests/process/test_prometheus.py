"""A real Prometheus scrapes the real service; a real Alertmanager brings what its rules find."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from scene import step
from waiting import wait_for
from watchers import Alertmanager, Prometheus, expressions, families

pytestmark = pytest.mark.process

PAIRS = "contactd_pair_"
"""Exported by the services of a pair alone, and looked for there."""


@pytest.fixture
def prometheus(tmp_path: Path) -> Iterator:
    started = []

    def begin(*arguments) -> Prometheus:
        started.append(Prometheus(tmp_path / "prometheus", *arguments))
        started[0].begin()
        return started[0]

    yield begin
    for each in started:
        each.clean_up()


@pytest.fixture
def alertmanager(tmp_path: Path, webhook) -> Iterator[Alertmanager]:
    made = Alertmanager(tmp_path / "alertmanager", webhook.url)
    made.begin()
    yield made
    made.clean_up()


def test_prometheus_reads_every_metric_that_rules_and_dashboard_ask_for(
    lay_scene, start_daemon, prometheus
):
    scene = lay_scene()
    scene.write_target("Quiet Lantern", [step("receiver on", in_s=900)])
    daemon = start_daemon(scene)
    text = daemon.get("/metrics").text
    exported = {family.name for family in text_string_to_metric_families(text)}

    server = prometheus(scene.port)
    wait_for(lambda: server.ask('up{job="contactd"} == 1'), "a first scrape")
    (targets,) = wait_for(lambda: server.ask("contactd_targets"), "the number of targets")
    assert targets["value"][1] == "1"

    for expression in expressions():
        server.ask(expression)
        wanted = {name for name in families(expression) if not name.startswith(PAIRS)}
        assert wanted <= exported, expression

    def evaluated() -> list[dict]:
        groups = server.get("/api/v1/rules")["data"]["groups"]
        found = [rule for group in groups for rule in group["rules"]]
        return found if all(rule["lastEvaluation"][:4] > "2000" for rule in found) else []

    for rule in wait_for(evaluated, "every rule to be evaluated"):
        assert rule["health"] == "ok", rule
    assert server.firing() <= {"ContactdEarthRotationTableEnded"}


def test_what_prometheus_reads_of_a_step_is_what_the_files_say(lay_scene, start_daemon, prometheus):
    scene = lay_scene()
    scene.write_target("Quiet Lantern", [step("receiver on", in_s=900)])
    start_daemon(scene)
    server = prometheus(scene.port)
    query = 'contactd_step_remaining_seconds{bound="nominal"}'
    (sample,) = wait_for(lambda: server.ask(query), "the countdown")
    assert sample["metric"]["target"] == "Quiet Lantern"
    # The scene was laid at most half a minute before.
    assert 870 <= float(sample["value"][1]) <= 900


def test_a_warning_that_waits_arrives_by_way_of_prometheus_and_alertmanager(
    lay_scene, start_daemon, prometheus, alertmanager, webhook
):
    scene = lay_scene()
    scene.write_target("Quiet Lantern", [step("beacon on", in_s=900, service="ranging")])
    start_daemon(scene)
    prometheus(scene.port, alertmanager.port)

    def arrived() -> dict | None:
        found = [
            alert
            for each in webhook.accepted()
            for alert in each.body["alerts"]
            if alert["labels"]["alertname"] == "ContactdWarningWaits"
        ]
        return found[0] if found else None

    alert = wait_for(arrived, "the alert by way of Alertmanager", patience_s=120)
    assert alert["labels"]["target"] == "Quiet Lantern"
    assert alert["labels"]["severity"] == "warning"
    about = f"Quiet Lantern {alert['labels']['kind']}: a warning that nobody has acknowledged"
    assert alert["annotations"]["summary"].startswith(about)
    assert "authority" in alert["annotations"]["action"]


def test_a_service_that_is_gone_is_told_by_prometheus(
    lay_scene, start_daemon, prometheus, alertmanager, webhook
):
    scene = lay_scene()
    scene.write_target("Quiet Lantern")
    daemon = start_daemon(scene)
    server = prometheus(scene.port, alertmanager.port)
    wait_for(lambda: server.ask('up{job="contactd"} == 1'), "a first scrape")
    daemon.kill()

    def arrived() -> bool:
        names = {
            alert["labels"]["alertname"]
            for each in webhook.accepted()
            for alert in each.body["alerts"]
        }
        return "ContactdAbsent" in names

    wait_for(arrived, "the alert about the absent service", patience_s=90)
