"""The daemon's state: immutable, and changed only by the adoption functions below.

What the ledger knows is folded in ``knowledge`` and ``alerts``; the rest is a cache that can be
computed anew from configuration, ledger and clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from contactd.alerts.fold import AlertState
from contactd.alerts.rules import NOTHING_KEPT, Kept
from contactd.alerts.status import ChannelStatus
from contactd.config import Configuration
from contactd.config.watching import Watched
from contactd.core.allocation.result import Allocation, Granted
from contactd.core.allocation.schedule import time_given
from contactd.core.ground.station import Station
from contactd.core.ground.status import with_statuses
from contactd.core.learning.applied import corrected, with_corrections
from contactd.core.outlook import (
    ClockTrust,
    ConfigurationStatus,
    Snapshot,
    TargetOutlook,
)
from contactd.core.planning import (
    Prediction,
    Target,
    as_stated,
    forecast_target,
    next_turn,
    wanted_until,
)
from contactd.core.record import Record
from contactd.core.sequences.knowledge import SequenceKnowledge
from contactd.mission.watchlist import WatchList
from contactd.records import State
from contactd.service.shared import NOT_SHARED, WAIT_S, Shared

NOTHING_WATCHED = WatchList()


@dataclass(frozen=True, slots=True)
class Quiet:
    """Nothing is to be told until an instant (s), as long as all of this stays the same object."""

    until: float
    seen: tuple[object, ...]


@dataclass(frozen=True, slots=True)
class ServiceState:
    """Everything between two beats.

    Attributes:
        configuration: in force.
        adopted_at: instant (s) of its adoption.
        refused: the errors of the files on disk, one text each, while they are not adopted.
        targets: the configuration's, with the elements that feeds brought, and as adopted
            corrections move them.
        knowledge, alerts: folds of the ledger.
        predictions, outlooks: by target.
        motions: what each target's predictions last rested on.
        changes: records of changes of that, to be stored with the next beat.
        asked: spans of predictions that are being computed, by target.
        turns: when each target's forecast must be made anew, by target.
        reaches: until when each target's steps want predictions (instants, s), by target.
        kept: what the rules of alerts need not look at again.
        quiet: what was seen when there was last nothing to tell, and until when that holds.
        planned_at: when every target last had a prediction for the whole horizon.
        looking_since: since when (instant, s) no beat was left out.
        clock: trust in the wall clock.
        ledger_trouble: why the ledger cannot be used at present, or "".
        ledger_damage: what is known of damage to its file, or "".
        channels: how the channels are doing; the same object as long as nothing changes.
        shared: what the last sharing of station time rested on.
        watch_list: what is watched whatever the files say, and what is not.
    """

    configuration: Configuration
    adopted_at: float
    refused: tuple[str, ...] = ()
    targets: Mapping[str, Target] = field(default_factory=dict)
    knowledge: State = field(default_factory=State)
    alerts: AlertState = field(default_factory=AlertState)
    predictions: Mapping[str, Prediction] = field(default_factory=dict)
    outlooks: Mapping[str, TargetOutlook] = field(default_factory=dict)
    motions: Mapping[str, Target] = field(default_factory=dict)
    changes: tuple[Record, ...] = ()
    asked: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    turns: Mapping[str, float] = field(default_factory=dict)
    reaches: Mapping[str, float] = field(default_factory=dict)
    kept: Kept = NOTHING_KEPT
    quiet: Quiet | None = None
    planned_at: float | None = None
    looking_since: float | None = None
    clock: ClockTrust = field(default_factory=ClockTrust)
    ledger_trouble: str = ""
    ledger_damage: str = ""
    channels: tuple[ChannelStatus, ...] = ()
    shared: Shared = NOT_SHARED
    watch_list: WatchList = NOTHING_WATCHED

    def knowledge_of(self, target: Target) -> dict[str, SequenceKnowledge]:
        """What the ledger knows of a target's sequences, by sequence."""
        known = self.knowledge.sequences
        names = ((target.name, sequence.name) for sequence in target.sequences)
        return {name[1]: known[name] for name in names if name in known}

    @property
    def is_shared(self) -> bool:
        """Whether the configuration shares station time at all."""
        return self.configuration.settings.station_time is not None

    def must_wait(self, now: float) -> bool:
        """Whether forecasts must wait, because it is not known yet what is granted."""
        shared = self.shared
        if not self.is_shared or shared.problem or shared.unsettled_since is None:
            return False
        never = self.knowledge.station_time is None and shared.done is None
        return never or now - shared.unsettled_since < WAIT_S

    @property
    def stations(self) -> Mapping[str, Station]:
        """The configuration's stations, with what is stated of them."""
        return with_statuses(self.configuration.stations, self.knowledge.station_status)

    def prediction(self, target: str) -> Prediction:
        """A target's prediction, with what is stated of its stations.

        Raises:
            KeyError: if there is none.
        """
        return as_stated(self.predictions[target], self.stations)

    def granted_to(self, target: str) -> Granted | None:
        """Antenna time of a target by station; None if every contact is ours."""
        known = self.knowledge
        shared = known.station_time if self.is_shared else None
        return time_given(target, self.stations, shared, known.confirmed)

    def snapshot(self, now: float) -> Snapshot:
        """What faces and metrics may see."""
        return Snapshot(
            at=now,
            planned_at=self.planned_at,
            looking_since=self.looking_since,
            targets=self.outlooks,
            stations=self.stations,
            configuration=ConfigurationStatus(
                digest=self.configuration.digest,
                adopted_at=self.adopted_at,
                problems=self.refused,
            ),
            clock=self.clock,
            alerts=self.alerts.open_alerts(now),
            ledger_at=self.knowledge.number,
            ledger_trouble=self.ledger_trouble,
            ledger_damage=self.ledger_damage,
            elements_changes=self.knowledge.elements_changes,
            station_time=self.station_time,
            station_time_trouble=self.shared.problem if self.is_shared else "",
            contradictions=self.watch_list.contradictions,
            unwatched=self.watch_list.unwatched,
            unread=self.watch_list.unread,
            retired=self.knowledge.definitions.retired,
            handover=self.knowledge.handover,
        )

    @property
    def station_time(self) -> Allocation | None:
        """What is granted, and what fell short as far as that is known; None if nothing is."""
        if not self.is_shared:
            return None
        return self.shared.latest or self.knowledge.station_time


def adopt_knowledge(state: ServiceState, knowledge: State, alerts: AlertState) -> ServiceState:
    """The state after the ledger's folds have moved on; forecasts that this touches become due."""
    if knowledge is state.knowledge and alerts is state.alerts:
        return state
    before = state.knowledge
    touched = {
        key[0]
        for key, known in knowledge.sequences.items()
        if before.sequences.get(key) is not known
    }
    touched |= {
        name
        for name, missed in knowledge.missed_contacts.items()
        if before.missed_contacts.get(name) is not missed
    }
    turns = state.turns
    if (
        knowledge.station_time is not before.station_time
        or knowledge.confirmed is not before.confirmed
        or knowledge.station_status is not before.station_status
    ):
        turns = dict.fromkeys(turns, -math.inf)
    turns = {**turns, **dict.fromkeys(touched & turns.keys(), -math.inf)}
    reaches = {name: reach for name, reach in state.reaches.items() if name not in touched}
    made = replace(state, knowledge=knowledge, alerts=alerts, turns=turns, reaches=reaches)
    for name, record in knowledge.corrections.items():
        if before.corrections.get(name) is not record and name in made.targets:
            made = adopt_target(made, made.targets[name])
    return made


def adopt_configuration(
    state: ServiceState, configuration: Configuration, targets: Mapping[str, Target], now: float
) -> ServiceState:
    """The state under a new configuration; predictions that it does not touch are kept.

    Args:
        targets: the configuration's, with the elements that feeds brought.
    """
    targets = with_corrections(targets, state.knowledge.corrections)
    same_stations = dict(configuration.stations) == dict(state.configuration.stations)
    kept = {
        name
        for name, target in targets.items()
        if same_stations and name in state.predictions and _same_motion(target, state.targets[name])
    }
    forecasts_anew = {name for name in kept if targets[name] != state.targets[name]}
    if state.is_shared != (configuration.settings.station_time is not None):
        forecasts_anew = kept
    planned_at = state.planned_at
    if planned_at is not None:
        # A plan made before counts as before, on a simulated clock in the same instant as well.
        planned_at = min(planned_at, math.nextafter(now, -math.inf))
    return replace(
        state,
        configuration=configuration,
        adopted_at=now,
        planned_at=planned_at,
        refused=(),
        targets=targets,
        predictions={name: state.predictions[name] for name in kept},
        outlooks={name: state.outlooks[name] for name in kept if name in state.outlooks},
        motions={name: each for name, each in state.motions.items() if name in targets},
        asked={},
        reaches={},
        shared=replace(state.shared, asked=None, problem="", retry_at=-math.inf),
        turns={
            name: -math.inf if name in forecasts_anew else state.turns.get(name, -math.inf)
            for name in kept
        },
    )


def adopt_watch(
    state: ServiceState, watched: Watched, targets: Mapping[str, Target], now: float
) -> ServiceState:
    """The state with what is watched because of the ledger; what the files say stays as it was.

    Args:
        targets: the watched configuration's, with the elements that feeds brought.
    """
    state = replace(state, watch_list=watched.watch_list)
    if watched.configuration.targets == state.configuration.targets and (
        watched.configuration.stations == state.configuration.stations
    ):
        return state
    adopted = adopt_configuration(state, watched.configuration, targets, now)
    return replace(adopted, refused=state.refused, adopted_at=state.adopted_at)


def forget_the_future(state: ServiceState, now: float) -> ServiceState:
    """The state after the clock went back to an instant (s): what was kept for later is let go."""
    planned_at = state.planned_at
    return replace(
        state,
        kept=NOTHING_KEPT,
        quiet=None,
        turns=dict.fromkeys(state.turns, -math.inf),
        planned_at=None if planned_at is None else min(planned_at, now),
    )


def adopt_target(state: ServiceState, target: Target) -> ServiceState:
    """The state with a target's new elements, or as a correction moves it; its outlook stands until
    the new one is here."""
    target = corrected(target, state.knowledge.corrections.get(target.name))
    if target == state.targets.get(target.name):
        return state
    return replace(
        state,
        targets={**state.targets, target.name: target},
        asked={name: span for name, span in state.asked.items() if name != target.name},
        predictions={name: each for name, each in state.predictions.items() if name != target.name},
    )


def adopt_prediction(
    state: ServiceState,
    target: Target,
    span: tuple[float, float],
    prediction: Prediction,
    change: Record | None = None,
) -> ServiceState:
    """The state with a new prediction; one that was overtaken by events is dropped.

    Args:
        change: the record that it rests on something else than the one before.
    """
    name = target.name
    if state.targets.get(name) is not target or state.asked.get(name) != span:
        return state
    motions = state.motions
    if prediction.motion is not None and motions.get(name) != prediction.motion:
        motions = {**motions, name: prediction.motion}
    return replace(
        state,
        motions=motions,
        changes=state.changes if change is None else (*state.changes, change),
        predictions={**state.predictions, name: prediction},
        asked={each: asked for each, asked in state.asked.items() if each != name},
        turns={**state.turns, name: -math.inf},
    )


def refresh_forecasts(state: ServiceState, now: float) -> ServiceState:
    """The state with the forecasts that knowledge, prediction or the passing of time made old.

    A target whose next prediction is under way waits for it.
    """
    due = [
        name
        for name, turn in state.turns.items()
        if turn <= now and name in state.predictions and name not in state.asked
    ]
    if not due or state.must_wait(now):
        return state
    outlooks, turns, stations = dict(state.outlooks), dict(state.turns), state.stations
    back_s = state.configuration.settings.horizon.back_s
    for name in due:
        target = state.targets[name]
        known = state.knowledge_of(target)
        granted = state.granted_to(name)
        missed = state.knowledge.missed_contacts.get(name, ())
        outlook = forecast_target(
            target, state.predictions[name], known, now, granted, missed, now - back_s, stations
        )
        outlooks[name] = outlook
        turns[name] = next_turn(outlook, now, back_s)
    return replace(state, outlooks=outlooks, turns=turns)


def refresh_reaches(state: ServiceState) -> ServiceState:
    """The state with every target's reach known."""
    missing = [target for name, target in state.targets.items() if name not in state.reaches]
    if not missing:
        return state
    found = {each.name: wanted_until(each, state.knowledge_of(each)) for each in missing}
    return replace(state, reaches={**state.reaches, **found})


def _same_motion(one: Target, other: Target) -> bool:
    """Whether a prediction made for one holds for the other."""

    def needs(target: Target) -> list[object]:
        return [step.needs for each in target.sequences for step in each.steps]

    moving, moved = (replace(each, sequences=(), configured=None) for each in (one, other))
    return moving == moved and needs(one) == needs(other)
