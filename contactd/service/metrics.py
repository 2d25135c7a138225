"""Metrics: a collector over the snapshot for what is, counters for what happened.

Names follow Prometheus' naming practice (base units, ``_seconds``, ``_total``,
``_timestamp_seconds``). Labels are names from the configuration only, so that a new contact never
makes a new series. What is told for each target at each station is left out where there are more
than ``MOST_PAIRS`` of them: a scrape must stay quick; each target at any station is told always.
"""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterable, Iterator, Mapping

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily
from prometheus_client.registry import Collector

from contactd import __version__
from contactd.core import instants
from contactd.core.alert import Severity
from contactd.core.contacts.table import ahead_of, under_way_and_next
from contactd.core.intervals import IntervalSet, union
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.core.sequences.model import Covered, StepForecast
from contactd.service.kernel_clock import Synchronisation
from contactd.service.log_writer import LogWriter

NEVER = float("nan")
MOST_PAIRS = 4_000
"""Targets times stations above which nothing is told for each pair."""


class Instruments:
    """Counters of what happened, registered in the registry that is given."""

    def __init__(self, registry: CollectorRegistry) -> None:
        def counter(name: str, text: str, labels: Iterable[str] = ()) -> Counter:
            return Counter(f"contactd_{name}", text, tuple(labels), registry=registry)

        self.raised = counter("alerts_raised", "Alerts raised.", ("kind", "severity"))
        self.late = counter("alerts_late", "Alerts raised later than they fell due.")
        self.missed = counter("alerts_missed", "Alerts whose matter was over before they could be.")
        self.delivered = counter("alerts_delivered", "Alerts delivered.", ("channel",))
        self.failed = counter("alert_delivery_failures", "Attempts that failed.", ("channel",))
        self.reloads = counter("configuration_reloads", "Configuration loads.", ("outcome",))
        self.clock_steps = counter("clock_steps", "Steps seen in the wall clock.")
        self.beats = counter("beats", "Beats of the service.")
        self.beat_errors = counter("beat_errors", "Beats that ended in an unexpected error.")
        self.fetches = counter("element_fetches", "Fetches of elements by URL.", ("outcome",))
        self.synchronised = Gauge(
            "contactd_clock_synchronised",
            "1 if the kernel calls the clock synchronised, 0 if not, NaN if it cannot be asked.",
            registry=registry,
        )
        self.clock_error = Gauge(
            "contactd_clock_error_bound_seconds",
            "How far off the clock is at most, by the kernel's account.",
            registry=registry,
        )
        self.prediction = Histogram(
            "contactd_prediction_duration_seconds",
            "Time taken to predict one target's contacts.",
            buckets=(0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0),
            registry=registry,
        )
        self.lateness = Histogram(
            "contactd_alert_lateness_seconds",
            "From when an alert was due, and the service was looking, until it was raised.",
            buckets=(0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 15.0, 60.0, 600.0),
            registry=registry,
        )

    def say_synchronisation(self, told: Synchronisation | None) -> None:
        """Show what the kernel says of its clock."""
        self.synchronised.set(NEVER if told is None else float(told.synchronised))
        known = told is not None and told.synchronised
        self.clock_error.set(told.error_bound_s if told is not None and known else NEVER)


class LogCollector(Collector):
    """Counts what the log could not take."""

    def __init__(self, log: LogWriter) -> None:
        self._log = log

    def collect(self) -> Iterator[CounterMetricFamily]:
        yield CounterMetricFamily(
            "contactd_log_lines_dropped", "Log lines that nobody took.", self._log.dropped
        )


class SnapshotCollector(Collector):
    """Reads the latest snapshot at each scrape."""

    def __init__(self, current: Callable[[], Snapshot], now: Callable[[], float]) -> None:
        self._current = current
        self._now = now
        self._windows: dict[str, tuple[TargetOutlook, IntervalSet]] = {}

    def collect(self) -> Iterator[GaugeMetricFamily | InfoMetricFamily]:
        snapshot, now = self._current(), self._now()
        yield InfoMetricFamily(
            "contactd_build",
            "What is running.",
            {"version": __version__, "python": platform.python_version()},
        )
        yield from _service_families(snapshot, now)
        yield from _target_families(snapshot, self._windows_of(snapshot), now)
        yield from _station_families(snapshot, now)
        if len(snapshot.targets) * len(snapshot.stations) <= MOST_PAIRS:
            yield from _pair_families(snapshot, now)
        yield from _step_families(snapshot, now)

    def _windows_of(self, snapshot: Snapshot) -> dict[str, IntervalSet]:
        """When a command can be sent to each target at any station; kept while outlooks stand."""
        kept = {}
        for name, outlook in snapshot.targets.items():
            before = self._windows.get(name)
            if before is None or before[0] is not outlook:
                commands = outlook.services.get("command", {})
                before = outlook, union(each.nominal for each in commands.values())
            kept[name] = before
        self._windows = kept
        return {name: windows for name, (_, windows) in kept.items()}


def _gauge(name: str, text: str, *labels: str) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"contactd_{name}", text, labels=labels)


def _posix(instant: float | None) -> float:
    return NEVER if instant is None else instants.to_unix(instant)


def _service_families(snapshot: Snapshot, now: float) -> Iterator[GaugeMetricFamily]:
    configuration = snapshot.configuration
    single = [
        ("targets", "Targets watched.", float(len(snapshot.targets))),
        ("stations", "Stations known.", float(len(snapshot.stations))),
        ("configuration_valid", "1 if the files on disk are valid.", not configuration.problems),
        (
            "configuration_problems",
            "Errors in the files on disk.",
            float(len(configuration.problems)),
        ),
        (
            "configuration_adopted_timestamp_seconds",
            "When the configuration in force was adopted.",
            _posix(configuration.adopted_at),
        ),
        ("clock_trusted", "1 if the wall clock can be trusted.", snapshot.clock.trusted),
        (
            "planning_last_success_timestamp_seconds",
            "When every target was last planned.",
            _posix(snapshot.planned_at),
        ),
        ("last_beat_timestamp_seconds", "When the service last beat.", _posix(snapshot.at)),
        ("ledger_records", "Records in the ledger.", float(snapshot.ledger_at)),
        (
            "ut1_table_remaining_seconds",
            "Until the Earth-rotation table ends.",
            instants.ut1_table_end() - now,
        ),
        (
            "ut1_error_seconds",
            "Bound of the error of the Earth's turning (UT1) at present.",
            float(instants.ut1_error_s(now)),
        ),
    ]
    for name, text, value in single:
        family = _gauge(name, text)
        family.add_metric((), float(value))
        yield family
    standing = _gauge("alerts_open", "Alerts neither acknowledged nor over.", "severity")
    for severity in Severity:
        count = sum(alert.severity is severity for alert in snapshot.alerts)
        standing.add_metric((severity.value,), float(count))
    yield standing


def _target_families(
    snapshot: Snapshot, windows: Mapping[str, IntervalSet], now: float
) -> Iterator[GaugeMetricFamily]:
    age = _gauge("elements_age_seconds", "Age of the elements in use.", "target")
    stale = _gauge("elements_stale", "1 if the elements are older than they should be.", "target")
    error = _gauge(
        "orbit_error_seconds",
        "Bound (95 %) of the orbit error along track, by where the figure comes from.",
        "target",
        "source",
    )
    until = _gauge("prediction_end_timestamp_seconds", "Contacts are predicted until.", "target")
    trouble = _gauge("target_problem", "1 if the target cannot be predicted in full.", "target")
    next_aos = _gauge(
        "target_next_aos_timestamp_seconds", "Next acquisition by any station.", "target"
    )
    in_view = _gauge("target_in_view_stations", "Stations that have it in view.", "target")
    opens = _gauge(
        "next_command_window_timestamp_seconds", "Next opening of a command window.", "target"
    )
    closes = _gauge(
        "command_window_close_timestamp_seconds", "End of the open command window.", "target"
    )
    for name, outlook in snapshot.targets.items():
        trouble.add_metric((name,), float(outlook.problem is not None))
        until.add_metric((name,), _posix(outlook.span[1]))
        if outlook.elements is not None:
            age.add_metric((name,), now - outlook.elements.epoch)
            stale.add_metric((name,), float(outlook.elements.is_stale(now)))
            known = outlook.elements.error
            along_s = known.at_age_s(now - outlook.elements.epoch)
            error.add_metric((name, known.origin.value), along_s)
        here, later = under_way_and_next(outlook.contacts, now)
        next_aos.add_metric((name,), _posix(later))
        in_view.add_metric((name,), float(here))
        open_now = windows[name].interval_at(now)
        closes.add_metric((name,), _posix(open_now[1] if open_now else None))
        following = windows[name].next_from(open_now[1] if open_now else now)
        opens.add_metric((name,), _posix(following[0] if following else None))
    yield from (age, stale, error, until, trouble, next_aos, in_view, opens, closes)


def _station_families(snapshot: Snapshot, now: float) -> Iterator[GaugeMetricFamily]:
    out = _gauge("station_out", "1 if the station is out, by files or as stated.", "station")
    degraded = _gauge("station_degraded", "1 if the station is stated as degraded.", "station")
    for name, station in snapshot.stations.items():
        out.add_metric((name,), float(now in station.outages))
        degraded.add_metric((name,), float(now in station.degraded))
    yield from (out, degraded)


def _pair_families(snapshot: Snapshot, now: float) -> Iterator[GaugeMetricFamily]:
    next_aos = _gauge("next_aos_timestamp_seconds", "Next acquisition.", "target", "station")
    in_view = _gauge("in_view", "1 if above the station's mask.", "target", "station")
    window = _gauge("command_window_open", "1 if a command can be sent.", "target", "station")
    for name, outlook in snapshot.targets.items():
        for station, (aos, above) in _contact_states(outlook, snapshot.stations, now).items():
            next_aos.add_metric((name, station), _posix(aos))
            in_view.add_metric((name, station), float(above))
        for station, coverage in outlook.services.get("command", {}).items():
            window.add_metric((name, station), float(now in coverage.nominal))
    yield from (next_aos, in_view, window)


def _contact_states(
    outlook: TargetOutlook, stations: Iterable[str], now: float
) -> dict[str, tuple[float | None, bool]]:
    """Per station: the next AOS, and whether the target is in view."""
    found: dict[str, tuple[float | None, bool]] = dict.fromkeys(stations, (None, False))
    for contact in ahead_of(outlook.contacts, now):
        aos, above = found.get(contact.station, (None, False))
        if contact.aos <= now:
            above = True
        elif aos is None:
            aos = contact.aos
        found[contact.station] = (aos, above)
    return found


def _step_families(snapshot: Snapshot, now: float) -> Iterator[GaugeMetricFamily]:
    step_labels = ("target", "sequence", "step")
    expiry = _gauge(
        "step_expiry_timestamp_seconds", "When a countdown expires.", *step_labels, "bound"
    )
    remaining = _gauge(
        "step_remaining_seconds", "Until a countdown expires.", *step_labels, "bound"
    )
    covered = _gauge("step_coverage", "1 for the verdict that holds.", *step_labels, "coverage")
    probability = _gauge(
        "step_in_view_probability_ratio", "Probability that the needs are met.", *step_labels
    )
    margin = _gauge("step_margin_seconds", "Margin of the expiry in its coverage.", *step_labels)
    stop_by = _gauge(
        "step_stop_by_timestamp_seconds",
        "Last moment to send a stop that is certain to work; absent once it has passed.",
        *step_labels,
    )
    no_stop = _gauge("step_stop_impossible", "1 if no window is left to stop it.", *step_labels)
    uncertain = _gauge("step_stop_uncertain", "1 if no certain stop is ahead.", *step_labels)
    clear = _gauge("keep_clear", "1 during a keep-clear, else 0.", *step_labels)
    danger = _gauge(
        "people_in_danger_seconds", "Planned people-near time inside keep-clear.", *step_labels
    )
    steps: list[StepForecast] = [
        step
        for outlook in snapshot.targets.values()
        for forecast in outlook.forecasts
        for step in forecast.steps
    ]
    for step in steps:
        key = (step.target, step.sequence, step.step)
        for bound in ("earliest", "nominal", "latest"):
            value = getattr(step, bound)
            if value is not None:
                expiry.add_metric((*key, bound), _posix(value))
                remaining.add_metric((*key, bound), value - now)
        if step.coverage is not None:
            for verdict in Covered:
                covered.add_metric((*key, verdict.value), float(step.coverage is verdict))
        if step.in_view_probability is not None:
            probability.add_metric(key, step.in_view_probability)
        if step.margin_s is not None:
            margin.add_metric(key, step.margin_s)
        if step.stop_certain and step.stop_by is not None:
            stop_by.add_metric(key, _posix(step.stop_by))
        if step.stop_possible is not None:
            no_stop.add_metric(key, float(not step.stop_possible))
            uncertain.add_metric(key, float(not step.stop_certain))
        if step.keep_clear is not None:
            clear.add_metric(key, float(step.keep_clear[0] <= now < step.keep_clear[1]))
            danger.add_metric(key, step.people_in_danger.total_s)
    yield from (
        expiry,
        remaining,
        covered,
        probability,
        margin,
        stop_by,
        no_stop,
        uncertain,
        clear,
        danger,
    )
