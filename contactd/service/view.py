"""What faces may see of the daemon, and the little they may ask of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Protocol

from prometheus_client import CollectorRegistry, generate_latest

from contactd.alerts.fold import AlertState, fold_alerts
from contactd.alerts.standing import standing
from contactd.core.errors import PropagationError
from contactd.core.learning.applied import corrected
from contactd.core.orbit.track import Track
from contactd.core.outlook import ConfigurationStatus, Health, Snapshot
from contactd.core.planning import Prediction, Target, predict_target
from contactd.core.record import Record
from contactd.core.sequences.known import SequenceKnowledge
from contactd.mission.actions import Standing
from contactd.records import Ledger, fold
from contactd.records.state import State, as_known_at
from contactd.service.daemon import Daemon
from contactd.service.element_changes import recorded_motion
from contactd.service.state import ServiceState, adopt_knowledge, refresh_forecasts

READ_AT_ONCE = 2_000


class Wanted(Protocol):
    """Which records are wanted."""

    @property
    def before(self) -> int | None:
        """Only numbers below this one."""
        ...

    @property
    def after(self) -> int | None:
        """Only numbers above this one, oldest first."""
        ...

    def holds(self, record: Record) -> bool:
        """Whether a record is wanted."""
        ...


class DaemonView:
    """The daemon as the HTTP face sees it: see ``contactd.faces.http.view.View``.

    It reads the ledger through a connection of its own, so that a long look into the past never
    delays the beat.
    """

    def __init__(
        self, daemon: Daemon, registry: CollectorRegistry, ledger: Ledger, notice: str = ""
    ) -> None:
        self._notice = notice
        self._daemon = daemon
        self._registry = registry
        self._ledger = ledger

    def now(self) -> float:
        return self._daemon.clock.now()

    def snapshot(self) -> Snapshot:
        return self._daemon.snapshot()

    def health(self) -> Health:
        return self._daemon.health()

    def metrics(self) -> bytes:
        return generate_latest(self._registry)

    def notice(self) -> str:
        return self._notice or self._daemon.notice()

    def has_begun(self) -> bool:
        return self._daemon.has_begun

    def targets(self) -> Mapping[str, Target]:
        return self._daemon.state.targets

    def target(self, name: str) -> Target:
        return self._daemon.state.targets[name]

    def knowledge(self, target: str, sequence: str) -> SequenceKnowledge:
        state = self._daemon.state
        if sequence not in {each.name for each in state.targets[target].sequences}:
            raise KeyError(sequence)
        return state.knowledge.sequences.get((target, sequence), SequenceKnowledge())

    def missed(self, target: str) -> Sequence[Record]:
        return self._daemon.state.knowledge.missed_contacts.get(target, ())

    def observations(self, target: str) -> Sequence[Record]:
        return self._daemon.state.knowledge.observations.get(target, ())

    def adopts_corrections(self) -> bool:
        return self._daemon.state.configuration.settings.elements.adopt_corrections

    def prediction(self, target: str) -> Prediction:
        return self._daemon.state.prediction(target)

    def track(self, target: str) -> Track:
        state, now = self._daemon.state, self.now()
        motion, horizon = state.targets[target], state.configuration.settings.horizon
        span = (now - horizon.back_s, now + horizon.ahead_s)
        prediction = state.predictions.get(target)
        if prediction is not None and prediction.motion is not None:
            # What the contacts were predicted from.
            motion, span = prediction.motion, prediction.reaches
        try:
            track = motion.track(now, span)
        except ValueError as error:
            raise PropagationError(target, str(error)) from None
        if track is None:
            raise PropagationError(target, "there are no elements of it yet")
        return track

    def records(self, wanted: Wanted, limit: int) -> Sequence[Record]:
        found: list[Record] = []
        if wanted.after is not None:
            for record in self._ledger.records(wanted.after):
                if wanted.holds(record):
                    found.append(record)
                    if len(found) >= limit:
                        break
            return found
        end = self._ledger.last_number() if wanted.before is None else wanted.before - 1
        while end > 0 and len(found) < limit:
            begin = max(end - READ_AT_ONCE, 0)
            some = self._ledger.since(begin, end - begin)
            found += [record for record in reversed(some) if wanted.holds(record)]
            end = begin
        return found[:limit]

    def known_at(self, instant: float) -> Snapshot:
        knowledge = as_known_at(self._ledger.records(), instant)
        known = (record for record in self._ledger.records() if record.at <= instant)
        alerts = fold_alerts(AlertState(), known)
        state = adopt_knowledge(self._daemon.state, knowledge, alerts)
        # Nothing that was granted, moved or read from files later is shown.
        state = replace(state, shared=replace(state.shared, latest=None, problem=""))
        snapshot = self._refreshed(_moving_as_known(state, instant), instant)
        return replace(snapshot, configuration=_configuration_known(knowledge))

    def suppose(self, records: Sequence[Record]) -> Snapshot:
        state = self._daemon.state
        knowledge = fold(state.knowledge, records)
        alerts = fold_alerts(state.alerts, records)
        now = self.now()
        supposed = _moved_now(state, adopt_knowledge(state, knowledge, alerts), now)
        snapshot = self._refreshed(supposed, now)
        if knowledge.station_time is None:
            return snapshot
        # What a sequence would want of stations it would be granted, before all others.
        free = replace(supposed, knowledge=replace(knowledge, station_time=None))
        shown = self._refreshed(free, now).targets
        touched = {name for name, turn in supposed.turns.items() if turn == float("-inf")}
        return replace(
            snapshot,
            targets={
                name: shown.get(name, each) if name in touched else each
                for name, each in snapshot.targets.items()
            },
        )

    def standing(self) -> Standing:
        return standing(self._daemon.state.alerts, self.now())

    async def commit(self, records: Sequence[Record]) -> Sequence[Record]:
        return await self._daemon.commit(records)

    @staticmethod
    def _refreshed(state: ServiceState, now: float) -> Snapshot:
        # Also where a prediction that reaches farther is under way: the present one answers now.
        due = replace(
            state,
            turns=dict.fromkeys(state.predictions, float("-inf")),
            asked={},
            shared=replace(state.shared, unsettled_since=None),
        )
        return refresh_forecasts(due, now).snapshot(now)


def _moved_now(before: ServiceState, after: ServiceState, now: float) -> ServiceState:
    """The state with predictions of targets that now move otherwise, over the spans before."""
    stations = list(after.configuration.stations.values())
    moved = {
        name: predict_target(each, stations, before.predictions[name].reaches, now)
        for name, each in after.targets.items()
        if name in before.predictions and each is not before.targets.get(name)
    }
    return replace(after, predictions={**after.predictions, **moved}) if moved else after


def _moving_as_known(state: ServiceState, instant: float) -> ServiceState:
    """The state with the motion that its knowledge has of each target, predicted round an instant.

    Args:
        instant: s; the moment as of which the state is known.
    """
    stations = list(state.configuration.stations.values())
    horizon = state.configuration.settings.horizon
    span = (instant - horizon.back_s, instant + horizon.ahead_s)
    predictions = dict(state.predictions)
    knowledge = state.knowledge
    for name in predictions:
        target = state.targets[name]
        plain, record = target.configured or target, knowledge.elements.get(name)
        motion = None if record is None else recorded_motion(plain, record, instant)
        if motion is not None:
            plain = replace(motion, sequences=target.sequences)
        known = corrected(plain, knowledge.corrections.get(name))
        if known != target:
            predictions[name] = predict_target(known, stations, span, instant)
    return replace(state, predictions=predictions)


def _configuration_known(knowledge: State) -> ConfigurationStatus:
    """The configuration that was in force, and what had been wrong with the files since."""
    adopted, refused = knowledge.configuration, knowledge.configuration_refused
    if adopted is None:
        return ConfigurationStatus()
    still = refused is not None and refused.number > adopted.number
    problems = refused.body.get("problems", ()) if still and refused is not None else ()
    return ConfigurationStatus(
        str(adopted.body.get("digest", "")), adopted.at, tuple(str(each) for each in problems)
    )
