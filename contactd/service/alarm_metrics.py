"""Metrics of alarm quality: the last day, for each role that had to act."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector

from contactd.alerts.quality import Quality, alarm_of, quality
from contactd.alerts.tracked import AlertState
from contactd.core.alert import Severity
from contactd.core.instants import DAY_S

NEVER = float("nan")
LAST = "in the last day"

_OF_A_ROLE: tuple[tuple[str, str, Callable[[Quality], float | None]], ...] = (
    ("alarms", f"Alerts that demanded action {LAST}.", lambda each: each.alarms),
    ("alarms_mean_per_10min", f"Of these in ten minutes, mean {LAST}.",
     lambda each: each.mean_per_10min),
    ("alarms_peak_per_10min", f"Of these in ten minutes, most {LAST}.",
     lambda each: each.peak_per_10min),
    ("alarms_flood_ratio", f"Share of the time in flood {LAST}.", lambda each: each.flood_share),
    ("alarms_standing", "Neither acknowledged nor over for longer than a day.",
     lambda each: each.standing),
    ("alarms_chattering", f"Kinds and subjects raised three times in ten minutes {LAST}.",
     lambda each: each.chattering),
    ("alarms_repeated", f"Raised again of the same kind and subject {LAST}.",
     lambda each: each.repeats),
    ("alarms_acknowledged", f"Of these acknowledged {LAST}.", lambda each: each.acknowledged),
    ("alarms_acknowledge_median_seconds", f"Median time to acknowledge {LAST}.",
     lambda each: each.median_s),
    ("alarms_acknowledge_longest_seconds", f"Longest time to acknowledge {LAST}.",
     lambda each: each.longest_s),
    ("alarms_silenced", f"Held back by silences {LAST}.", lambda each: each.silenced),
)  # fmt: skip


class AlarmCollector(Collector):
    """Counts at each scrape.

    Args:
        alerts: what the service keeps of its alerts.
        now: the present (instant, s).
    """

    def __init__(self, alerts: Callable[[], AlertState], now: Callable[[], float]) -> None:
        self._alerts = alerts
        self._now = now

    def collect(self) -> Iterator[GaugeMetricFamily]:
        now = self._now()
        alarms = [alarm_of(each) for each in self._alerts().tracked.values()]
        # What is raised in this very moment counts too.
        everyone, *roles = quality(alarms, now - DAY_S, now + 1e-3)
        for name, text, value in _OF_A_ROLE:
            family = GaugeMetricFamily(f"contactd_{name}", text, labels=("role",))
            for each in (everyone, *roles):
                found = value(each)
                family.add_metric((each.role,), NEVER if found is None else float(found))
            yield family
        shares = GaugeMetricFamily(
            "contactd_alarms_priority_ratio", f"Share of a severity {LAST}.", labels=("severity",)
        )
        for severity, share in everyone.priorities.items():
            shares.add_metric((severity,), share)
        yield shares
        yield _waiting(self._alerts(), now)
        top = GaugeMetricFamily(
            "contactd_alarms_of_kind", f"The ten kinds raised most {LAST}.", labels=("kind",)
        )
        for kind, count in everyone.top:
            top.add_metric((kind,), float(count))
        yield top


def _waiting(state: AlertState, now: float) -> GaugeMetricFamily:
    """How long the alert of each kind and target has waited that waits the longest."""
    longest: dict[tuple[str, str, str], float] = {}
    for identity in state.waiting:
        tracked = state.tracked[identity]
        alert = tracked.alert
        if alert.severity is Severity.ADVISORY or not tracked.is_open(now):
            continue
        key = (str(alert.severity), alert.kind, alert.target or "contactd")
        longest[key] = max(longest.get(key, 0.0), now - tracked.waits_since)
    family = GaugeMetricFamily(
        "contactd_alert_waiting_seconds",
        "Since the oldest alert was raised that nobody has acknowledged; cautions and warnings.",
        labels=("severity", "kind", "target"),
    )
    for key, seconds in sorted(longest.items()):
        family.add_metric(key, seconds)
    return family
