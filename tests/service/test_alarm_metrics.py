"""The figures of alarms as metrics: the last day's, by role."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from prometheus_client import CollectorRegistry

from contactd.alerts.candidate import Sort
from contactd.alerts.tracked import AlertState, TrackedAlert
from contactd.core.alert import Alert, Severity
from contactd.core.instants import from_text
from contactd.service.alarm_metrics import AlarmCollector

NOW = from_text("2026-12-03T08:00:00Z")


def tracked(name: str, ago_s: float, do: str, acknowledged_s: float | None = None) -> TrackedAlert:
    at = NOW - ago_s
    alert = Alert(name, "step-uncovered", Severity.WARNING, "L", "L/w", "It.", do, at, at, math.inf)
    return TrackedAlert(
        alert, Sort.CONDITION, name, -math.inf, math.inf, 0.0, "", (), at,
        acknowledged_at=None if acknowledged_s is None else at + acknowledged_s, waits_since=at,
    )  # fmt: skip


def test_each_role_has_its_figures_and_a_day_that_is_over_does_not_count() -> None:
    given = [
        tracked("a", 60.0, "Controller: act.", acknowledged_s=30.0),
        tracked("b", 90.0, "Controller: act."),
        tracked("c", 100.0, "Crew lead: act."),
        tracked("d", 110.0, ""),
        tracked("e", 90_000.0, "Controller: act."),
    ]
    state = AlertState(tracked={each.alert.identity: each for each in given})
    registry = CollectorRegistry()
    registry.register(AlarmCollector(lambda: state, lambda: NOW))

    def value(name: str, **labels: str) -> float | None:
        return registry.get_sample_value(f"contactd_{name}", labels)

    assert value("alarms", role="everyone") == 3
    assert value("alarms", role="Controller") == 2
    assert value("alarms_peak_per_10min", role="Controller") == 2
    assert value("alarms_mean_per_10min", role="Crew lead") == pytest.approx(1 / 144, rel=1e-6)
    assert value("alarms_standing", role="Controller") == 1
    assert value("alarms_acknowledge_median_seconds", role="Controller") == 30.0
    assert value("alarms_priority_ratio", severity="warning") == 1.0
    assert value("alarms_of_kind", kind="step-uncovered") == 3


def test_what_waits_is_told_until_it_is_acknowledged() -> None:
    given = [tracked("a", 60.0, "Controller: act."), tracked("b", 90.0, "Controller: act.")]
    waiting = frozenset({"a", "b"})
    state = AlertState(tracked={each.alert.identity: each for each in given}, waiting=waiting)
    registry = CollectorRegistry()
    registry.register(AlarmCollector(lambda: state, lambda: NOW))
    labels = {"severity": "warning", "kind": "step-uncovered", "target": "L"}
    assert registry.get_sample_value("contactd_alert_waiting_seconds", labels) == 90.0
    state = replace(state, waiting=frozenset())
    assert registry.get_sample_value("contactd_alert_waiting_seconds", labels) is None
