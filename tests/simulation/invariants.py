"""What must hold whatever the night brings; checked at every beat and at the end."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from world import Receiver, WorldClock, WorldLedger

from contactd.alerts.candidate import Sort
from contactd.alerts.fold import AlertState, fold_alerts
from contactd.alerts.grouping import compose
from contactd.alerts.notification import About
from contactd.core import record as kinds
from contactd.core.instants import from_text
from contactd.core.outlook import Snapshot
from contactd.core.sequences.model import StepForecast
from contactd.records import State, fold
from contactd.service.daemon import Daemon
from contactd.service.state import ServiceState

JUSTIFIES = frozenset(
    {
        kinds.CONFIGURATION_ADOPTED,
        kinds.START_OBSERVED,
        kinds.START_REFUTED,
        kinds.SEQUENCE_STOPPED,
        kinds.SETTING_CHOSEN,
        kinds.READING,
        kinds.STEP_SEEN,
        kinds.RULING,
    }
)
Place = tuple[str, str, str]


def steps_of(snapshot: Snapshot) -> dict[Place, StepForecast]:
    """Every step's forecast."""
    return {
        (step.target, step.sequence, step.step): step
        for outlook in snapshot.targets.values()
        for forecast in outlook.forecasts
        for step in forecast.steps
    }


class Watcher:
    """Looks over the shoulder of every life of the process."""

    def __init__(
        self, clock: WorldClock, ledger: WorldLedger, receivers: Sequence[Receiver]
    ) -> None:
        self.clock = clock
        self.ledger = ledger
        self.receivers = receivers
        self.daemon: Daemon | None = None
        self.clears: dict[Place, tuple[tuple[float, float], int]] = {}
        self.edited = False
        self.broken = ""
        self.recorded: set[str] = set()
        self.from_memory: set[str] = set()
        self.looked_at = 0
        self.heard: dict[str, int] = {}
        self.running: dict[Place, float] = {}
        self.ran_out: dict[Place, float] = {}

    # Along the way.

    def follow(self, daemon: Daemon) -> None:
        """A new life begins."""
        self.daemon = daemon
        daemon.observers.append(self.look)

    def process_gone(self) -> None:
        """A life is over."""
        self.daemon = None

    def files_edited(self) -> None:
        """From now on another configuration may be in force, in which steps run out otherwise."""
        self.edited = True
        self.running.clear()
        self.ran_out.clear()

    def look(self, state: ServiceState, snapshot: Snapshot) -> None:
        """After each beat. What is broken is kept for the end: a beat survives its observers."""
        try:
            self._check_keep_clear(state, snapshot)
            self._check_sent_after_recorded()
        except AssertionError as error:
            self.broken = self.broken or str(error)
        for place, step in steps_of(snapshot).items():
            if step.latest is None:
                continue
            if step.latest > snapshot.at:
                self.running[place] = step.latest
            elif abs(self.running.get(place, 0.0) - step.latest) < 1.0:
                self.ran_out[place] = step.latest

    def _check_keep_clear(self, state: ServiceState, snapshot: Snapshot) -> None:
        """Keep-clear never shrinks without a record that justifies it."""
        number = state.knowledge.number
        for place, step in steps_of(snapshot).items():
            present, known = step.keep_clear, self.clears.get(place)
            if known is None or present == known[0]:
                if present is not None and known is None:
                    self.clears[place] = (present, number)
                continue
            before, since = known
            grown = present is not None and (
                present[0] <= before[0] + 1e-6 and present[1] >= before[1] - 1e-6
            )
            justified = self.edited or any(
                record.kind in JUSTIFIES for record in self.ledger.stored[since:]
            )
            assert grown or justified, f"keep-clear of {place} shrank from {before} to {present}"
            if present is None:
                del self.clears[place]
            else:
                self.clears[place] = (present, number)

    def _check_sent_after_recorded(self) -> None:
        """Nothing is sent that is not recorded, on the disk or, while that fails, in memory."""
        assert self.daemon is not None
        for record in self.daemon.store.held:
            if record.kind == kinds.ALERT_RAISED:
                self.from_memory.add(record.body["identity"])
        for record in self.ledger.stored[self.looked_at :]:
            if record.kind == kinds.ALERT_RAISED:
                self.recorded.add(record.body["identity"])
        self.looked_at = len(self.ledger.stored)
        for receiver in self.receivers:
            for _, message in receiver.accepted[self.heard.get(receiver.name, 0) :]:
                for alert in message.alerts:
                    known = alert.identity in self.recorded or alert.identity in self.from_memory
                    assert known, f"{alert.identity} was sent to {receiver.name} unrecorded"
            self.heard[receiver.name] = len(receiver.accepted)

    # At the end.

    def check_settled(self, daemon: Daemon) -> None:
        """After the last fault everything comes to rest."""
        health = daemon.health()
        assert health.live, health.reasons
        assert health.ready, health.reasons
        assert not daemon.store.held
        unsent = compose(daemon.state.alerts, self.clock.now())
        assert not unsent, unsent[:3]
        assert not daemon.state.refused
        assert daemon.state.knowledge == fold(State(), self.ledger.stored)
        folded = fold_alerts(AlertState(), self.ledger.stored)
        assert daemon.state.alerts == folded, "the state is not the fold of the ledger"
        snapshot = daemon.snapshot()
        seen = {"/".join(place) for place in steps_of(snapshot)}
        # Of a step that is no longer in the files nobody can say that anything of it is over.
        over = [each for each in snapshot.alerts if each.over_at <= snapshot.at]
        assert not [each.what for each in over if each.subject in seen or "/" not in each.subject]

    def check_end(self) -> None:
        """When the night is over."""
        assert not self.broken, self.broken
        raised = [record for record in self.ledger.stored if record.kind == kinds.ALERT_RAISED]
        identities = Counter(record.body["identity"] for record in raised)
        assert max(identities.values(), default=1) == 1, identities.most_common(3)
        self._check_nothing_told_twice(raised)
        self._check_everything_arrived(raised)
        self._check_nothing_lost(raised)

    def _check_nothing_told_twice(self, raised: list[Any]) -> None:
        """A fact has one alert while it is open; it may come again when it had ended.

        The steps of a chain share a series: each is a fact of its own.
        """
        ended = {
            record.body["identity"]
            for record in self.ledger.stored
            if record.kind == kinds.ALERT_RESOLVED
        }
        events: dict[tuple[str, str], list[tuple[float, float]]] = {}
        for record in raised:
            body = record.body
            if body["sort"] != Sort.EVENT or body["begins"] is None or body["identity"] in ended:
                continue
            span = (from_text(body["begins"]), from_text(body["ends"]))
            told = events.setdefault((body["series"], record.subject), [])
            meeting = [one for one in told if span[0] <= one[1] and one[0] <= span[1]]
            assert not meeting, f"told twice: {body['what']}"
            told.append(span)

    def _check_everything_arrived(self, raised: list[Any]) -> None:
        for receiver in self.receivers:
            arrived = {
                alert.identity
                for _, message in receiver.accepted
                if message.about is About.RAISED
                for alert in message.alerts
            }
            for record in raised:
                if receiver.name in record.body["channels"]:
                    identity = record.body["identity"]
                    assert identity in arrived, f"{identity} never reached {receiver.name}"

    def _check_nothing_lost(self, raised: list[Any]) -> None:
        """A step that ran out was told, or counted as missed."""
        told = {
            record.subject
            for record in self.ledger.stored
            if (record.kind == kinds.ALERT_RAISED and record.body["kind"].startswith("step-"))
            or record.kind == kinds.ALERT_MISSED
        }
        for place in self.ran_out:
            assert "/".join(place) in told, f"nobody was told that {place} ran out"
