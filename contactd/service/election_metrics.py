"""Metrics of a pair: which service leads, how surely, and whether the other is there."""

from __future__ import annotations

from collections.abc import Iterator

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from contactd.service.leadership import Leading

NEVER = float("nan")


class PairCollector(Collector):
    """Reads at each scrape how things stand; only where there may be a pair."""

    def __init__(self, leading: Leading) -> None:
        self._leading = leading

    def collect(self) -> Iterator[Metric]:
        leading, pair = self._leading, self._leading.pair
        if pair is None:
            return
        standing, age_s = pair.standing, pair.age_s
        gauges = [
            (
                "pair_leads",
                "1 if this service leads for sure: it records and raises; 0 if it follows.",
                float(leading.role == "leads"),
            ),
            (
                "pair_may_send",
                "1 if it leads, and the one before can no longer be sending.",
                float(leading.may_send),
            ),
            ("pair_fence", "The number of the lead; it grows with every change.", standing.fence),
            ("pair_services", "Services seen on this ledger, this one too.", standing.members),
            (
                "pair_lease_age_seconds",
                "Since the ledger was last asked who leads, with success.",
                NEVER if age_s is None else age_s,
            ),
            ("pair_led", "1 if any service leads.", float(not standing.lapsed)),
        ]
        for name, text, value in gauges:
            family = GaugeMetricFamily(f"contactd_{name}", text)
            family.add_metric((), float(value))
            yield family
        taken = CounterMetricFamily(
            "contactd_pair_takeovers", "How often this service has taken up the lead."
        )
        taken.add_metric((), leading.changes)
        yield taken
