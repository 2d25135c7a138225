"""The Prometheus files, judged by Prometheus' own promtool."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest
import yaml
from programs import program

FOLDER = Path(__file__).parents[2] / "deploy" / "prometheus"
RULES = FOLDER / "contactd.rules.yml"
CASES = FOLDER / "contactd.rules.test.yml"

pytestmark = pytest.mark.process


def promtool(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [str(program("promtool")), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def alert_names() -> list[str]:
    groups = yaml.safe_load(RULES.read_text())["groups"]
    return [rule["alert"] for group in groups for rule in group["rules"] if "alert" in rule]


def test_promtool_accepts_the_rules_and_the_scrape_configuration():
    for kind, path in (("rules", RULES), ("config", FOLDER / "prometheus.yml")):
        done = promtool("check", kind, path)
        assert done.returncode == 0, done.stdout + done.stderr


def test_every_case_of_the_rules_holds():
    done = promtool("test", "rules", CASES)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_alert_has_a_case_in_which_it_fires():
    fired = set()
    for case in yaml.safe_load(CASES.read_text())["tests"]:
        for check in case.get("alert_rule_test", ()):
            if check["exp_alerts"]:
                fired.add(check["alertname"])
        for check in case.get("promql_expr_test", ()):
            for sample in check["exp_samples"]:
                fired.update(re.findall(r'alertname="(\w+)",alertstate="firing"', sample["labels"]))
    assert fired == set(alert_names())


def test_every_alert_says_what_to_do_and_how_grave_it_is():
    for group in yaml.safe_load(RULES.read_text())["groups"]:
        for rule in group["rules"]:
            if "alert" in rule:
                assert rule["labels"]["severity"] in {"advisory", "caution", "warning"}
                wanted = {"summary", "action", "runbook_url"}
                assert set(rule["annotations"]) == wanted, rule["alert"]
