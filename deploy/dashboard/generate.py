"""Generate the dashboard from the metrics that contactd really has.

    python deploy/dashboard/generate.py > deploy/dashboard/contactd.json

The first rows are laid out by hand, for the one who watches; below them every metric has a panel
by the rules of its kind and unit. A query that names a metric which contactd does not have ends
the generator, so the dashboard cannot drift from the service.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Iterator
from typing import Any

from prometheus_client import CollectorRegistry
from prometheus_client.metrics_core import Metric

from contactd.alerts.tracked import AlertState
from contactd.core.outlook import Snapshot
from contactd.service.alarm_metrics import AlarmCollector
from contactd.service.metrics import Instruments, SnapshotCollector

SOURCE = {"type": "prometheus", "uid": "${source}"}
WIDTH = 24
STEP = "{{target}} · {{sequence}} · {{step}}"
SCOPE = 'instance=~"$instance"'
TARGET_SCOPE = f'{SCOPE},target=~"$target"'

Panel = dict[str, Any]


def families() -> dict[str, Metric]:
    """Every metric family that contactd exports, by name."""
    registry = CollectorRegistry()
    Instruments(registry)
    registry.register(SnapshotCollector(lambda: Snapshot(at=0.0), lambda: 0.0))
    registry.register(AlarmCollector(AlertState, lambda: 0.0))
    return {family.name: family for family in registry.collect()}


def panel(
    kind: str,
    title: str,
    queries: Iterable[tuple[str, str]],
    unit: str = "short",
    width: int = 6,
    height: int = 6,
    says: str = "",
    **options: Any,
) -> Panel:
    """One panel; ``queries`` are pairs of expression and legend."""
    targets: list[dict[str, Any]] = [
        {"datasource": SOURCE, "refId": chr(65 + n), "expr": expression, "legendFormat": legend}
        for n, (expression, legend) in enumerate(queries)
    ]
    if kind in ("table", "stat"):
        for target in targets:
            target["instant"] = True
    if kind == "table":
        for target in targets:
            target["format"] = "table"
    return {
        "type": kind,
        "title": title,
        "description": says,
        "datasource": SOURCE,
        "targets": targets,
        "fieldConfig": {"defaults": {"unit": unit, **options}, "overrides": []},
        "gridPos": {"w": width, "h": height},
    }


def thresholds(*steps: tuple[float | None, str]) -> dict[str, Any]:
    """Colours from a value on; the first step has no value."""
    marks = [{"value": value, "color": colour} for value, colour in steps]
    return {"mode": "absolute", "steps": marks}


GOOD_IF_ONE = thresholds((None, "red"), (1, "green"))
GOOD_IF_ZERO = thresholds((None, "green"), (1, "red"))


def watch() -> Iterator[tuple[str, list[Panel]]]:
    """The rows laid out by hand."""
    until = "contactd_{}{{" + TARGET_SCOPE + "}} - time()"
    yield (
        "What comes next",
        [
            panel(
                "stat",
                "Next command window in",
                [(until.format("next_command_window_timestamp_seconds"), "{{target}}")],
                "s",
                says="Until the next moment at which a command can really be sent.",
            ),
            panel(
                "stat",
                "Command window open for",
                [(until.format("command_window_close_timestamp_seconds"), "{{target}}")],
                "s",
                says="Empty while no window is open.",
            ),
            panel(
                "stat",
                "Last moment to send a stop in",
                [(until.format("step_stop_by_timestamp_seconds") + " > 0", STEP)],
                "s",
                thresholds=thresholds((None, "red"), (600, "orange"), (3600, "green")),
                says="This advises. The responsible authority decides.",
            ),
            panel(
                "stat",
                "Alerts open",
                [(f"contactd_alerts_open{{{SCOPE}}}", "{{severity}}")],
                thresholds=GOOD_IF_ZERO,
            ),
        ],
    )
    yield (
        "Countdowns aboard",
        [
            panel(
                "timeseries",
                "Until each step runs out: earliest and latest",
                [
                    (
                        f"contactd_step_remaining_seconds{{{TARGET_SCOPE},bound=~"
                        '"earliest|latest"}',
                        STEP + " · {{bound}}",
                    )
                ],
                "s",
                width=12,
                height=9,
            ),
            panel(
                "state-timeline",
                "Covered",
                [
                    (f'contactd_step_coverage{{{TARGET_SCOPE},coverage="covered"}}', STEP),
                ],
                width=12,
                height=9,
                thresholds=GOOD_IF_ONE,
                says="1: a station is sure to have it in view when the step runs out.",
            ),
            panel(
                "state-timeline",
                "Keep clear",
                [(f"contactd_keep_clear{{{TARGET_SCOPE}}}", STEP)],
                width=12,
                thresholds=GOOD_IF_ZERO,
                says="1: nobody may be near. Local rules and flight rules go first.",
            ),
            panel(
                "state-timeline",
                "In view",
                [(f"contactd_in_view{{{TARGET_SCOPE}}}", "{{target}} · {{station}}")],
                width=12,
                thresholds=thresholds((None, "gray"), (1, "green")),
            ),
        ],
    )
    yield (
        "The watch itself",
        [
            panel(
                "stat",
                "Since the last beat",
                [(f"time() - contactd_last_beat_timestamp_seconds{{{SCOPE}}}", "{{instance}}")],
                "s",
                thresholds=thresholds((None, "green"), (10, "orange"), (30, "red")),
            ),
            panel(
                "stat",
                "Clock trusted",
                [(f"contactd_clock_trusted{{{SCOPE}}}", "{{instance}}")],
                thresholds=GOOD_IF_ONE,
            ),
            panel(
                "stat",
                "Configuration valid",
                [(f"contactd_configuration_valid{{{SCOPE}}}", "{{instance}}")],
                thresholds=GOOD_IF_ONE,
            ),
            panel(
                "timeseries",
                "Deliveries that failed",
                [
                    (
                        f"increase(contactd_alert_delivery_failures_total{{{SCOPE}}}[5m])",
                        "{{channel}}",
                    )
                ],
                thresholds=GOOD_IF_ZERO,
            ),
        ],
    )


def panel_of(family: Metric) -> Panel:
    """A panel for any metric, by its kind and the unit in its name."""
    name, says = family.name, family.documentation
    title = name.removeprefix("contactd_").replace("_", " ")
    if family.type == "info":
        return panel("table", title, [(f"{name}_info{{{SCOPE}}}", "")], says=says)
    if family.type == "counter":
        query = f"increase({name}_total{{{SCOPE}}}[5m])"
        return panel("timeseries", f"{title}, in 5 min", [(query, "__auto")], says=says)
    if family.type == "histogram":
        rate = f"sum by (le) (rate({name}_bucket{{{SCOPE}}}[5m]))"
        queries = [
            (f"histogram_quantile({quantile}, {rate})", f"{quantile:.0%} within")
            for quantile in (0.5, 0.99)
        ]
        return panel("timeseries", title, queries, "s", says=says)
    query = f"{name}{{{SCOPE}}}"
    if name.endswith("_timestamp_seconds"):
        title = title.removesuffix(" timestamp seconds")
        return panel(
            "timeseries", f"{title}, from now", [(f"{query} - time()", "__auto")], "s", says=says
        )
    unit = {"_seconds": "s", "_ratio": "percentunit", "_bytes": "bytes"}
    found = next((unit[end] for end in unit if name.endswith(end)), "short")
    return panel("timeseries", title, [(query, "__auto")], found, says=says)


def lay_out(rows: Iterable[tuple[str, list[Panel]]]) -> list[Panel]:
    """Panels with their places, row by row from left to right."""
    placed: list[Panel] = []
    top = 0
    for title, panels in rows:
        placed.append(
            {
                "type": "row",
                "title": title,
                "collapsed": False,
                "panels": [],
                "gridPos": {"x": 0, "y": top, "w": WIDTH, "h": 1},
            }
        )
        top += 1
        left = tallest = 0
        for each in panels:
            place = each["gridPos"]
            if left + place["w"] > WIDTH:
                left, top, tallest = 0, top + tallest, 0
            placed.append({**each, "gridPos": {"x": left, "y": top, **place}})
            left += place["w"]
            tallest = max(tallest, place["h"])
        top += tallest
    return [{"id": number, **each} for number, each in enumerate(placed, start=1)]


def variable(name: str, label: str, query: str) -> dict[str, Any]:
    """A choice at the top of the dashboard, filled from the label of a metric."""
    return {
        "type": "query",
        "name": name,
        "label": label,
        "datasource": SOURCE,
        "query": {"query": query, "refId": name},
        "refresh": 2,
        "includeAll": True,
        "multi": True,
        "allValue": ".*",
        "current": {"text": "All", "value": "$__all"},
    }


def queries_of(dashboard: dict[str, Any]) -> list[str]:
    """Every expression that the dashboard asks for."""
    panels = [target["expr"] for each in dashboard["panels"] for target in each.get("targets", ())]
    choices = [each["query"] for each in dashboard["templating"]["list"]]
    return panels + [each["query"] for each in choices if isinstance(each, dict)]


def metrics_in(expression: str) -> set[str]:
    """Names of contactd's metrics in an expression, without what its kind adds to a name."""
    names = re.findall(r"contactd_[a-z0-9_]+", expression)
    return {re.sub(r"_(total|bucket|sum|count|info)$", "", name) for name in names}


def build() -> dict[str, Any]:
    """The dashboard.

    Raises:
        SystemExit: a query asks for a metric that contactd does not have.
    """
    known = families()
    everything = [panel_of(known[name]) for name in sorted(known)]
    source = {"type": "datasource", "name": "source", "label": "Prometheus", "query": "prometheus"}
    dashboard = {
        "uid": "contactd",
        "title": "contactd: contacts and countdowns",
        "description": "Advises only. Flight rules and the responsible authority decide.",
        "tags": ["contactd"],
        "timezone": "utc",
        "refresh": "15s",
        "time": {"from": "now-6h", "to": "now"},
        "schemaVersion": 39,
        "editable": True,
        "templating": {
            "list": [
                source,
                variable(
                    "instance",
                    "Instance",
                    "label_values(contactd_last_beat_timestamp_seconds, instance)",
                ),
                variable("target", "Target", "label_values(contactd_target_problem, target)"),
            ]
        },
        "panels": lay_out([*watch(), ("Every metric", everything)]),
    }
    asked = set().union(*(metrics_in(query) for query in queries_of(dashboard)))
    if asked - set(known):
        sys.exit(f"contactd has no such metric: {', '.join(sorted(asked - set(known)))}")
    return dashboard


if __name__ == "__main__":
    print(json.dumps(build(), indent=1, ensure_ascii=False))
