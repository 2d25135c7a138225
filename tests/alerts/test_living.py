"""An alert is about a cause: it keeps its identity, and says what is so now and what changed."""

from dataclasses import dataclass, field, replace

import pytest

from contactd.alerts import AlertState, Leads, Policy, Reach, candidates, evaluate, fold_alerts
from contactd.alerts.grouping import compose
from contactd.alerts.notification import About
from contactd.core import alert as alert_kinds
from contactd.core import record as kinds
from contactd.core.alert import Severity
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.record import Record
from contactd.core.sequences.model import Covered, Fact, StepStatus
from contactd.records import Ledger

POLICY = Policy(Leads(contact_s=(), window_s=(), closes_s=0.0, step_s=(), keep_clear_s=(900.0,)))
CHANNELS = (Reach("log"), Reach("pager", Severity.WARNING))
HAZARD = {"hazard": "motor", "keep_clear": (8_000, 9_600)}


@dataclass
class Desk:
    """A service over a ledger in memory, and somebody who acknowledges."""

    world: object
    ledger: Ledger
    state: AlertState = field(default_factory=AlertState)
    stations: dict = field(default_factory=dict)

    def beat(self, at: float, *steps, **more) -> list[Record]:
        """What one beat records, with these steps at so many seconds after noon."""
        snapshot = self.world.snapshot(at=at, forecasts=[self.world.forecast(*steps)], **more)
        snapshot = replace(snapshot, stations=self.stations)
        found = candidates(snapshot, POLICY, snapshot.at)
        return self.learn(evaluate(self.state, found, snapshot.at, None, CHANNELS))

    def learn(self, records) -> list[Record]:
        stored = [r for r in self.ledger.append(records) if r.number > self.state.number]
        self.state = fold_alerts(self.state, stored)
        return stored

    def open(self, at: float) -> list[tuple[str, str]]:
        """Kind and first sentence of each alert that waits, in order."""
        now = self.world.noon + at
        return [(each.kind, each.what) for each in self.state.open_alerts(now)]

    def acknowledge(self, at: float) -> None:
        for alert in self.state.open_alerts(self.world.noon + at):
            body = {"identity": alert.identity}
            key = f"acknowledged:{alert.identity}:{at}"
            self.learn(
                [Record(self.world.noon + at, kinds.ALERT_ACKNOWLEDGED, "", "Ada", body, key)]
            )

    def deliver(self, at: float) -> list:
        """Send all that is due; what was sent."""
        sent = compose(self.state, self.world.noon + at)
        for each in sent:
            body = {
                "message": each.key,
                "channel": each.channel,
                "parts": list(each.parts),
                "alerts": [alert.identity for alert in each.alerts],
                "attempts": 1,
                "sent_at": None,
            }
            self.learn([Record(self.world.noon + at, kinds.ALERT_DELIVERED, "", "contactd", body)])
        return sent


@pytest.fixture
def desk(world):
    with Ledger.open("sqlite://") as ledger:
        yield Desk(world, ledger)


def test_a_deadline_that_moves_is_the_same_alert_and_says_by_how_much_and_why(desk, world):
    step = world.step(9_000, 9_060, stop_by=3_000, stop_station="Quarry Hill", **HAZARD)
    desk.beat(0, step)
    desk.deliver(0)
    desk.acknowledge(10)
    assert desk.open(10) == []
    out = IntervalSet([world.noon + 1_000], [world.noon + 7_200])
    desk.stations = {"Quarry Hill": Station("Quarry Hill", 1.0, 2.0, outages=out)}
    sooner = world.step(9_000, 9_060, stop_by=900, stop_station="Quarry Hill", **HAZARD)
    [change] = desk.beat(20, sooner)
    assert change.kind == kinds.ALERT_CHANGED
    assert change.body["changed"] == (
        "Deadline moved from 12:50:00Z to 12:15:00Z, 35 min earlier: "
        "Quarry Hill is out until 14:00:00Z."
    )
    [(kind, what)] = desk.open(20)
    assert kind == alert_kinds.STOP_BY_COMING
    assert "stop by 2026-12-03 12:15:00Z through Quarry Hill" in what
    assert {(each.channel, each.about) for each in desk.deliver(20)} == {
        ("log", About.CHANGED),
        ("pager", About.CHANGED),
    }
    assert not [each for each in desk.ledger.records() if each.kind == kinds.ALERT_RESOLVED]


def test_a_better_deadline_is_told_as_an_advisory_and_does_not_wait_again(desk, world):
    desk.beat(0, world.step(9_000, 9_060, stop_by=3_000, stop_station="Quarry Hill", **HAZARD))
    desk.deliver(0)
    desk.acknowledge(10)
    later = world.step(9_000, 9_060, stop_by=3_600, stop_station="Quarry Hill", **HAZARD)
    [change] = desk.beat(20, later)
    assert change.body["news"] == "better"
    assert desk.open(20) == []
    [message] = desk.deliver(20)
    assert (message.channel, message.about) == ("log", About.CHANGED), "no pager for good news"
    assert message.severity is Severity.ADVISORY


def test_losing_the_last_stop_is_a_warning_and_takes_the_place_of_the_deadline(desk, world):
    desk.beat(0, world.step(9_000, 9_060, stop_by=3_000, stop_station="Quarry Hill", **HAZARD))
    desk.acknowledge(10)
    lost = world.step(9_000, 9_060, stop_possible=False, stop_certain=False, **HAZARD)
    desk.beat(20, lost)
    assert [kind for kind, _ in desk.open(20)] == [alert_kinds.NO_STOP]
    [alert] = desk.state.open_alerts(world.noon + 20)
    assert alert.severity is Severity.WARNING
    [ended] = [each for each in desk.state.tracked.values() if each.resolved_at is not None]
    raised = desk.state.tracked[alert.identity]
    assert ended.resolved_why == "superseded"
    assert ended.superseded_by == alert.identity
    assert ended.resolved_what == f"Superseded by alert {raised.number}: {alert.what}"
    assert ended.resolved_do == f"Controller: act on alert {raised.number} now."


def test_a_stop_by_that_passes_leaves_one_warning(desk, world):
    step = world.step(9_000, 9_060, stop_by=3_000, stop_station="Quarry Hill", **HAZARD)
    desk.beat(0, step)
    passed = replace(step, stop_certain=False, stop_possible=True)
    desk.beat(3_000, passed)
    assert [kind for kind, _ in desk.open(3_001)] == [alert_kinds.STOP_BY_PASSED]
    assert desk.state.open_alerts(world.noon + 3_001)[0].severity is Severity.WARNING


def test_the_effects_of_one_cause_on_a_chain_are_one_alert_with_its_parts(desk, world):
    steps = [
        world.step(9_000 + 600 * n, 9_060 + 600 * n, step=name, coverage=Covered.UNCOVERED)
        for n, name in enumerate(("boom out", "antenna release", "beacon on"))
    ]
    [raised] = desk.beat(0, *steps)
    assert raised.body["facts"]["parts"] == ["boom out", "antenna release", "beacon on"]
    assert raised.body["what"].endswith(
        "Also uncovered 'antenna release', 2026-12-03 14:40:00Z to 14:41:00Z; "
        "'beacon on', 2026-12-03 14:50:00Z to 14:51:00Z."
    )
    fewer = [replace(steps[0], coverage=Covered.COVERED), *steps[1:]]
    [change] = desk.beat(5, *fewer)
    assert change.body["news"] == "better"
    assert change.body["changed"].endswith("no longer 'boom out'.")
    [more] = desk.beat(6, *steps)
    assert more.body["news"] == "worse"
    assert more.body["changed"].endswith("now also 'boom out'.")


def test_an_alert_of_a_fact_that_is_gone_says_what_is_so_now(desk, world):
    step = world.step(9_000, 9_060, stop_by=3_000, stop_station="Quarry Hill", **HAZARD)
    desk.beat(0, step)
    stopped = world.step(None, None, status=StepStatus.STOPPED, hazard="motor")
    desk.beat(10, stopped)
    assert desk.open(10) == []
    assert {each.resolved_what for each in desk.state.tracked.values()} == {
        "Resolved: Step 'antenna release' of Lantern 3 is stopped."
    }


def test_a_lead_that_comes_is_the_same_alert_told_again(desk, world):
    step = world.step(9_000, 9_060, stop_by=3_700, stop_station="Quarry Hill", **HAZARD)
    desk.beat(100, step)
    desk.deliver(100)
    desk.acknowledge(110)
    [nearer] = desk.beat(3_100, step)
    assert (nearer.kind, nearer.body["news"]) == (kinds.ALERT_CHANGED, "nearer")
    assert len(desk.open(3_100)) == 1
    assert {each.about for each in desk.deliver(3_100)} == {About.AGAIN}
    desk.acknowledge(3_110)
    assert desk.open(3_110) == [], "it can be acknowledged again"
    assert desk.beat(3_200, step) == []


def test_a_small_change_is_shown_at_once_and_told_to_nobody(desk, world):
    desk.beat(0, world.step(9_000, 9_060, stop_by=3_000, stop_station="Quarry Hill", **HAZARD))
    desk.deliver(0)
    desk.acknowledge(1)
    near = world.step(9_000, 9_060, stop_by=3_012, stop_station="Quarry Hill", **HAZARD)
    [change] = desk.beat(2, near)
    assert change.body["news"] == "none"
    [tracked] = desk.state.tracked.values()
    assert "12:50:12Z" in tracked.alert.what
    assert tracked.acknowledged_at is not None
    assert desk.deliver(2) == []


def test_a_record_that_changed_it_is_named(desk, world):
    before = world.step(9_000, 9_060, stop_by=3_000, stop_station="Quarry Hill", **HAZARD)
    desk.beat(0, before)
    after = world.step(9_000, 9_060, stop_by=2_000, stop_station="Quarry Hill", **HAZARD)
    [change] = desk.beat(2, replace(after, facts=(Fact("reading", "it said so", "record 14"),)))
    assert change.body["changed"].endswith("16 min 40 s earlier: record 14.")


def test_what_can_still_be_decided_comes_first_whatever_its_severity(desk, world):
    lost = world.step(20_000, 20_060, step="boom out", stop_possible=False, stop_certain=False,
                      hazard="motor", keep_clear=(19_000, 21_000))  # fmt: skip
    plain = world.step(9_000, 9_060, stop_by=3_000, stop_station="Quarry Hill")
    desk.beat(0, lost, plain)
    assert [(each.kind, each.severity) for each in desk.state.open_alerts(world.noon)] == [
        (alert_kinds.STOP_BY_COMING, Severity.CAUTION),
        (alert_kinds.NO_STOP, Severity.WARNING),
    ]


def test_the_state_is_the_fold_of_the_ledger_whatever_changes(desk, world):
    for at, stop_by in ((0, 3_000), (5, 2_000), (10, 2_500), (700, 2_500), (2_600, 2_500)):
        step = world.step(9_000, 9_060, stop_by=stop_by, stop_station="Quarry Hill", **HAZARD)
        desk.beat(at, replace(step, stop_certain=at < stop_by))
        desk.deliver(at)
        desk.acknowledge(at + 1)
    assert fold_alerts(AlertState(), desk.ledger.records()) == desk.state


def test_one_outage_that_moves_the_stops_of_a_chain_is_one_alert(desk, world):
    steps = [
        world.step(9_000 + 600 * n, 9_060 + 600 * n, step=name, stop_by=stop_by,
                   stop_station="Quarry Hill", **HAZARD)
        for n, (name, stop_by) in enumerate((("boom out", 3_000), ("beacon on", 3_300)))
    ]  # fmt: skip
    [raised] = desk.beat(0, *steps)
    assert raised.body["what"] == (
        "Step 'boom out' of Lantern 3: stop by 2026-12-03 12:50:00Z through Quarry Hill. "
        "Also 'beacon on', by 2026-12-03 12:55:00Z."
    )
    assert raised.body["do"].endswith("Also stop 'beacon on' through Quarry Hill by 12:55:00Z.")
    passed = replace(steps[0], stop_certain=False)
    desk.beat(3_000, passed, steps[1])
    assert [kind for kind, _ in desk.open(3_001)] == [
        alert_kinds.STOP_BY_COMING, alert_kinds.STOP_BY_PASSED
    ]  # fmt: skip
    [alert, _] = desk.state.open_alerts(world.noon + 3_001)
    assert alert.facts["parts"] == ["beacon on"]
    assert alert.changed == "No longer 'boom out'."
