"""The runbook has an entry for each kind of alert and each rule, and each says the five things."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest
import yaml

from contactd.alerts.notification import About, Notification
from contactd.alerts.text import body
from contactd.core import alert as alerts
from contactd.core.alert import Alert, Severity
from contactd.faces.cli import build

DEPLOY = Path(__file__).parents[2] / "deploy"
PARTS = ["Means", "Why it matters", "Check", "Act", "Decides"]
TEXT = (DEPLOY / "runbook.md").read_text(encoding="utf-8")
RULES = DEPLOY / "prometheus" / "contactd.rules.yml"


def kinds() -> list[str]:
    """Every kind, in the order in which they are defined."""
    values = [value for name, value in vars(alerts).items() if name.isupper()]
    return [value for value in values if isinstance(value, str) and value in alerts.KINDS]


def rules() -> list[dict]:
    groups = yaml.safe_load(RULES.read_text(encoding="utf-8"))["groups"]
    return [rule for group in groups for rule in group["rules"] if "alert" in rule]


def entries() -> dict[str, str]:
    found = re.split(r"^### (.+)$", TEXT, flags=re.MULTILINE)[1:]
    return dict(zip(found[::2], found[1::2], strict=True))


def test_its_headings_are_the_kinds_of_alerts_and_the_rules_in_their_order() -> None:
    told = re.findall(r"^##+ (.+)$", TEXT, flags=re.MULTILINE)
    expected = ["Alerts of contactd", *kinds(), "Prometheus rules"]
    expected += [rule["alert"] for rule in rules()]
    assert told == expected


@pytest.mark.parametrize("name", sorted(entries()))
def test_each_entry_says_what_it_means_why_what_to_check_what_to_do_and_who_decides(
    name: str,
) -> None:
    said = re.findall(r"^- \*\*(.+?)\*\*: (\S.*)$", entries()[name], flags=re.MULTILINE)
    assert [title for title, _ in said] == PARTS


def test_the_commands_that_it_names_exist() -> None:
    names = set(re.findall(r"`contactd ([a-z-]+)", TEXT))
    command = build(None, None, None)  # type: ignore[arg-type]
    known = set(command.list_commands(click.Context(command)))
    assert names
    assert names <= known


def test_each_rule_leads_to_its_entry() -> None:
    for rule in rules():
        address = rule["annotations"]["runbook_url"]
        assert address.endswith(f"/runbook.md#{rule['alert'].lower()}")


def test_each_message_leads_to_the_entry_of_its_kind() -> None:
    told = Alert("a", "step-uncovered", Severity.WARNING, "L", "L/w", "It.", "Do.", 0.0, 0.0, 9e9)
    message = Notification(
        "k", "desk", About.RAISED, (told,), ("a",), 0.0, runbook="https://desk.example/runbook.md"
    )
    assert "Runbook: https://desk.example/runbook.md#step-uncovered" in body(message)
