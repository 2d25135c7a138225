"""The watch by itself: events in, state and orders out, without a loop, a thread or a network."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from prometheus_client import CollectorRegistry
from scene import Scene, now, step

from contactd.alerts.notification import Notification
from contactd.config import Configuration, load
from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.records import Ledger
from contactd.service.clock import ClockWatch, SimulatedClock
from contactd.service.events import (
    Event,
    FilesRead,
    Found,
    Lead,
    Learned,
    Look,
    Predicted,
    Queue,
    Show,
    Tick,
)
from contactd.service.files import Loaded
from contactd.service.metrics import Instruments
from contactd.service.prediction_pool import Work, predict_work
from contactd.service.state import ServiceState
from contactd.service.store import Store
from contactd.service.virtual_loop import Inline
from contactd.service.watch import Watch
from contactd.service.watching import Watchkeeper

TARGET = "Quiet Lantern"


@dataclass
class Alone:
    """Whether it leads, as the test has it."""

    leads: bool = True
    may_send: bool = True


@dataclass
class Orders:
    """What the watch ordered."""

    store: Store
    leading: Alone
    predictions: list[Work] = field(default_factory=list)
    offered: list[Notification] = field(default_factory=list)
    woken_in: list[float] = field(default_factory=list)
    followed: list[Configuration] = field(default_factory=list)

    def append(self, records: Sequence[Record]) -> None:
        if self.leading.leads:
            self.store.hold(records)

    def predict(self, target: Any, span: Any, at: float, state: ServiceState) -> None:
        stations = tuple(state.configuration.stations.values())
        self.predictions.append(Work(target, stations, span, at, compiled=False))

    def share(self, job: Any) -> None:
        raise AssertionError("no station time is shared here")

    def offer(self, notifications: Sequence[Notification]) -> None:
        self.offered = list(notifications)

    def wake_in(self, seconds: float) -> None:
        self.woken_in.append(seconds)

    def beat_soon(self) -> None:
        pass

    def follow(self, configuration: Configuration) -> None:
        self.followed.append(configuration)

    def channels(self) -> tuple[()]:
        return ()


class Bench:
    """A watch, its queue and what it ordered."""

    def __init__(self, folder: Path) -> None:
        self.scene = Scene(folder, 1, {"alerts": {"step_lead": ["5min"], "contact_lead": []}})
        self.scene.write_target(TARGET, [step("beacon on", in_s=600.0)])
        self.clock = SimulatedClock(now())
        configuration = load(self.scene.config, folder, self.clock.now())
        self.store = Store(Ledger.open("sqlite://"), Inline())
        self.leading = Alone()
        self.orders = Orders(self.store, self.leading)
        state = ServiceState(configuration, self.clock.now(), targets=configuration.targets)
        self.watch = Watch(
            state, self.clock, ClockWatch(self.clock), self.store, self.leading, self.orders,
            Instruments(CollectorRegistry()), Watchkeeper(configuration, folder / "kept"),
        )  # fmt: skip
        self.queue = Queue(self.watch.take)

    def post(self, *events: Event) -> None:
        for event in events:
            self.queue.post(event)

    def beat(self) -> None:
        self.post(Look(), Tick(), Show())

    def predict(self) -> None:
        """What was ordered, done."""
        ordered, self.orders.predictions = self.orders.predictions, []
        for work in ordered:
            self.post(Predicted(work.target, work.span, predict_work(work)))

    def kinds(self) -> list[str]:
        return [record.kind for record in self.store.held]


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def test_the_lead_is_recorded_with_what_is_watched(bench: Bench) -> None:
    bench.post(Lead())
    found = bench.kinds()
    assert found[:2] == [kinds.SERVICE_STARTED, kinds.CONFIGURATION_ADOPTED]
    assert kinds.DEFINITION_ADOPTED in found
    assert found[-1] == kinds.ELEMENTS_ADOPTED


def test_a_beat_orders_the_predictions_that_are_missing_once_each(bench: Bench) -> None:
    bench.post(Lead())
    bench.beat()
    bench.beat()
    assert [work.target.name for work in bench.orders.predictions] == [TARGET]
    assert bench.watch.snapshot.planned_at is None
    bench.predict()
    bench.beat()
    assert bench.watch.snapshot.planned_at == bench.clock.now()
    assert not bench.orders.predictions


def test_what_falls_due_is_offered_though_no_ledger_has_answered(bench: Bench) -> None:
    bench.post(Lead())
    bench.beat()
    bench.predict()
    bench.beat()
    bench.clock.pass_time(301.0)
    bench.beat()
    (notification,) = bench.orders.offered
    assert notification.alerts[0].kind == "step-expiring"
    assert kinds.ALERT_RAISED in bench.kinds()
    assert bench.watch.knowledge.number == 0, "the ledger has said nothing"


def test_who_follows_orders_nothing_to_be_written_or_sent(bench: Bench) -> None:
    bench.leading.leads = bench.leading.may_send = False
    bench.beat()
    bench.predict()
    bench.clock.pass_time(301.0)
    bench.beat()
    assert (bench.kinds(), bench.orders.offered) == ([], [])


def test_refused_files_leave_in_force_what_is_and_are_recorded(bench: Bench) -> None:
    before = bench.watch.state.configuration
    bench.post(FilesRead(Loaded(None, ("targets/a.yaml:1:1: no",))))
    assert bench.watch.state.configuration is before
    assert bench.watch.state.refused
    assert bench.kinds() == [kinds.CONFIGURATION_REFUSED]
    assert not bench.orders.followed


def test_news_and_what_is_held_count_together_each_once(bench: Bench) -> None:
    held = Record(1.0, kinds.REMARK, "s", "Ada", {"text": "held"}, "held")
    bench.post(Found((held,)))
    news = Record(2.0, kinds.REMARK, "s", "Ada", {"text": "news"}, "news", number=1)
    bench.post(Learned((news,)))
    assert bench.watch.knowledge.number == 1
    assert bench.kinds() == [kinds.REMARK]


def test_events_are_taken_in_their_order_and_one_that_fails_stops_no_other() -> None:
    taken: list[Event] = []

    def take(event: Event) -> None:
        taken.append(event)
        if isinstance(event, Look):
            queue.post(Show())
            queue.post(Tick())
            assert taken == [Look()], "nothing is taken while another event is"
            raise RuntimeError("no")

    queue = Queue(take)
    with pytest.raises(RuntimeError):
        queue.post(Look())
    assert taken == [Look(), Show(), Tick()]
    queue.post(Show())
    assert taken[-1] == Show()
