"""The watch: the only one that changes the service's state, event by event.

It waits for nothing and asks nobody: what is to be done outside it orders from the effects, which
post back what came of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, assert_never

import structlog

from contactd.alerts.candidate import Sort
from contactd.alerts.grouping import compose
from contactd.alerts.rules import NOTHING_KEPT
from contactd.core import instants
from contactd.core import record as kinds
from contactd.core.allocation.records import SUBJECT, allocation_body
from contactd.core.change import change_record
from contactd.core.outlook import Snapshot
from contactd.core.planning import Target
from contactd.core.record import Record
from contactd.mission.changes import of_files
from contactd.records import State
from contactd.service import events
from contactd.service.alert_configuration import telling_of
from contactd.service.allocation_job import adopt_allocation, adopt_failure
from contactd.service.beat import step
from contactd.service.clock import Clock, ClockWatch
from contactd.service.element_changes import new_elements, recorded_motion
from contactd.service.files import Loaded
from contactd.service.ledger_fold import LedgerFold
from contactd.service.metrics import Instruments
from contactd.service.orders import Leads, WatchEffects
from contactd.service.state import (
    ServiceState,
    adopt_configuration,
    adopt_knowledge,
    adopt_prediction,
    adopt_target,
    adopt_watch,
    forget_the_future,
)
from contactd.service.store import Store
from contactd.service.watching import Watchkeeper, say_watched, with_elements

GAP_S = 5.0
"""A longer time than this between two beats, for whatever reason, is time in which nobody looked.
"""
QUIET_S = 4.0
MOST_CHANGES = 50
"""Of more changes in edited files only so many are recorded in words."""
"""So long at the most a beat of a ledger that nobody else writes to may look at nothing."""
AUTHOR = "contactd"

log = structlog.get_logger("contactd")

Observer = Callable[[ServiceState, Snapshot], None]


class Watch:
    """The state of the service, and what each event makes of it.

    Attributes:
        state: after the last event.
        snapshot: what may be seen, as of the last beat.
        known: the folds of the ledger.
        observers: called after each beat with the state and its snapshot.
        may_be_due: whether anything can have fallen due since the last beat.
    """

    def __init__(
        self,
        state: ServiceState,
        clock: Clock,
        clocks: ClockWatch,
        store: Store,
        leading: Leads,
        effects: WatchEffects,
        instruments: Instruments,
        keeper: Watchkeeper,
    ) -> None:
        self.state = state
        self._keeper = keeper
        self.snapshot = Snapshot(at=clock.now())
        self.known = LedgerFold()
        self.observers: list[Observer] = []
        self.may_be_due = True
        self._clock = clock
        self._clocks = clocks
        self._store = store
        self._leading = leading
        self._effects = effects
        self._instruments = instruments
        self._telling = telling_of(state.configuration)
        self._beat_at, self._again_at = clock.now(), math.inf
        self._down_since: float | None = None
        self._caught_up = False
        self._settled: tuple[ServiceState | None, float] = (None, -math.inf)

    @property
    def knowledge(self) -> State:
        """What the ledger says, without what is only held."""
        return self.known.stored[0]

    def take(self, event: events.Event) -> None:
        """What an event makes of the state, and what is to be done about it."""
        match event:
            case events.Look():
                self._look()
            case events.Tick():
                self._tick()
            case events.Show():
                self._show()
            case events.Learned(news):
                self.known.learn(news)
                self._keeper.learn(news)
                self._know()
            case events.Found(records):
                self._append(records)
            case events.Predicted():
                self._adopt_prediction(event)
            case events.Shared():
                self._adopt_sharing(event)
            case events.FilesRead(loaded, targets):
                self._adopt_files(loaded, targets)
            case events.Fed(targets, records):
                self._append(records)
                for target in targets.values():
                    self.state = adopt_target(self.state, target)
            case events.Lead(facts):
                self._begin_to_lead(facts)
            case events.Follow():
                self._down_since = None
                self._know()
            case events.Stop():
                self._append([self._record(kinds.SERVICE_STOPPED, {})])
            case _:
                assert_never(event)

    # The beat.

    def _look(self) -> None:
        """Look at the clocks, and see whether the beat can find anything."""
        if self._clocks.look():
            self._note_moved_clock()
        self._instruments.say_synchronisation(self._clocks.synchronisation)
        before, now = self.snapshot.at, self._clock.now()
        self._beat_at = now
        if now < before:
            self.state, self._settled = forget_the_future(self.state, now), (None, -math.inf)
        if now - before > GAP_S:
            # A plan is not overdue for having been slept through.
            self.state = replace(self.state, looking_since=now)
            if self._down_since is None:
                self._down_since = before
        self.may_be_due = not self._nothing_can_be_due(now)

    def _nothing_can_be_due(self, now: float) -> bool:
        """Whether this beat would find what the last one did.

        Only where nobody else writes to the ledger; otherwise each beat reads it.
        """
        state, again_at = self._settled
        return (
            self._store.is_still
            and state is self.state
            and now < min(again_at, self.snapshot.at + QUIET_S)
            and self._down_since is None
            and self._clocks.trust() == state.clock
            and self._effects.channels() == state.channels
        )

    def _tick(self) -> None:
        now = self._beat_at
        if self._keeper.touched:
            self.watch_what_runs()
        channels = self._effects.channels()
        if channels == self.state.channels:
            channels = self.state.channels
        state = replace(self.state, clock=self._clocks.trust(), channels=channels)
        leads = self._leading.leads
        made = step(state, self._telling, now, self._down_since, leads)
        self.state = made.state
        for target, span in made.predict:
            self._effects.predict(target, span, now, self.state)
        if made.share is not None:
            self._effects.share(made.share)
        records = made.records
        if leads and made.state.planned_at is not None:
            self._down_since = None
            if not self._caught_up:
                # In one go with what it tells: a start that does not get here tells it again.
                self._caught_up = True
                records = (*records, self._record(kinds.SERVICE_CAUGHT_UP, {}))
        if records:
            self._append(records)
            self._count(records, now)
        self._again_at = made.again_at

    def _show(self) -> None:
        now = self._beat_at
        self.snapshot = self.state.snapshot(now)
        telling = self._telling
        if self._leading.may_send:
            found = compose(self.state.alerts, now, telling.manners, telling.care)
            self._effects.offer(found)
        elif not self._leading.leads:
            self._effects.offer(())
        for observer in self.observers:
            observer(self.state, self.snapshot)
        self._effects.wake_in(self._again_at - now)
        turn = min(self.state.turns.values(), default=math.inf)
        self._settled = self.state, min(self._again_at, turn)

    def _note_moved_clock(self) -> None:
        clocks = self._clocks
        if clocks.stepped_by_s:
            self._instruments.clock_steps.inc()
            log.warning("the wall clock was stepped", by_s=round(clocks.stepped_by_s, 3))
        if clocks.suspended_s:
            log.warning("the machine was suspended", for_s=round(clocks.suspended_s, 1))

    def _count(self, records: Sequence[Record], now: float) -> None:
        for record in records:
            if record.kind == kinds.ALERT_RAISED:
                body = record.body
                self._instruments.raised.labels(body["kind"], body["severity"]).inc()
                if body["sort"] == Sort.EVENT:
                    known_s = self.state.looking_since or -math.inf
                    late_s = now - max(instants.from_text(body["due"]), known_s)
                    self._instruments.lateness.observe(max(late_s, 0.0))
                if body["late"]:
                    self._instruments.late.inc()
            elif record.kind == kinds.ALERT_MISSED:
                self._instruments.missed.inc()

    # The ledger.

    def _append(self, records: Sequence[Record]) -> None:
        """Have records written; they count at once."""
        if records:
            self._effects.append(records)
            self._keeper.learn(records)
            self._know()

    def _know(self) -> None:
        """Bring into the state what the ledger knows, and what is held as not yet written."""
        self.state = adopt_knowledge(self.state, *self.known.with_held(self._store.held))
        store, state = self._store, self.state
        if (state.ledger_trouble, state.ledger_damage) != (store.trouble, store.damage):
            self.state = replace(state, ledger_trouble=store.trouble, ledger_damage=store.damage)

    def _begin_to_lead(self, facts: Mapping[str, Any]) -> None:
        """Say who is watching, and look again at all that may have been missed until now."""
        self._down_since, self._caught_up = self.known.stored[1].looked_at, False
        digest = self.state.configuration.digest
        records = [self._record(kinds.SERVICE_STARTED, {"configuration": digest, **facts})]
        if self.knowledge.configuration_digest != digest and not self.state.refused:
            records.append(self._adopted_record())
        records += self._keeper.adopted(self.state.knowledge, self._clock.now())
        new = self._new_elements()
        moved = self._recorded_motions(new)
        kept = {n: each for n, each in self.state.predictions.items() if n not in moved}
        self.state = replace(
            self.state,
            motions={**self.state.motions, **moved},
            predictions=kept,
            shared=replace(self.state.shared, asked=None, done=None),
            kept=NOTHING_KEPT,
            quiet=None,
            looking_since=self._clock.now(),
        )
        self._append([*records, *new])

    # What was computed.

    def _adopt_prediction(self, event: events.Predicted) -> None:
        record = None if event.change is None else change_record(event.change, AUTHOR)
        self.state = adopt_prediction(
            self.state, event.target, event.span, event.prediction, record
        )
        if not self.state.asked:
            self._effects.beat_soon()

    def _adopt_sharing(self, event: events.Shared) -> None:
        now = self._clock.now()
        if event.made is None:
            self.state = adopt_failure(self.state, event.job, event.problem, now)
        else:
            body = allocation_body(event.made, self.state.knowledge.station_time)
            if body is not None:
                kind = kinds.STATION_TIME_ALLOCATED
                self._append([Record(now, kind, SUBJECT, AUTHOR, body)])
            self.state = adopt_allocation(self.state, event.job, event.made)
            log.info(
                "station time shared",
                grants=sum(grant.end > now for grant in event.made.grants),
                short=len(event.made.shortfalls),
                changed=body is not None,
                proved_best=event.made.is_best,
                took_s=round(event.took_s, 3),
            )
        self._effects.beat_soon()

    # The configuration.

    def _adopt_files(self, loaded: Loaded, targets: Mapping[str, Target]) -> None:
        configuration = loaded.configuration
        if configuration is None:
            self._instruments.reloads.labels("refused").inc()
            for problem in loaded.problems:
                log.error("configuration refused", problem=problem)
            self._keeper.refuse(loaded.wrong)
            self.state = replace(self.state, refused=loaded.problems)
            body = {"problems": list(loaded.problems)}
            self._append([self._record(kinds.CONFIGURATION_REFUSED, body)])
            return
        self._instruments.reloads.labels("adopted").inc()
        self._keeper.read(configuration)
        present = self.state.configuration
        if (configuration.digest, configuration.span) == (present.digest, present.span):
            log.info("configuration read again, and unchanged")
            self.state = replace(self.state, refused=())
            return
        # The ledger comes to know the new files before they count.
        now = self._clock.now()
        self._append(self._keeper.adopted(self.state.knowledge, now))
        watched = self._keeper.look(self.state.knowledge, now)
        configuration = watched.configuration
        self._telling = telling_of(configuration)
        self._effects.follow(configuration)
        changes = of_files(
            (present.targets, configuration.targets), (present.stations, configuration.stations)
        )[:MOST_CHANGES]
        targets = with_elements(configuration, targets)
        adopted = adopt_configuration(self.state, configuration, targets, now)
        self.state = replace(adopted, watch_list=watched.watch_list)
        say_watched(watched.watch_list)
        log.info(
            "configuration adopted",
            targets=len(configuration.targets),
            stations=len(configuration.stations),
            digest=configuration.digest[:12],
            changes=list(changes),
        )
        self._append([self._adopted_record(changes), *self._new_elements()])

    def watch_what_runs(self) -> None:
        """Watch what the ledger knows to run, whatever the files say."""
        before, now = self.state, self._clock.now()
        watched = self._keeper.look(before.knowledge, now)
        targets = with_elements(watched.configuration, before.targets)
        self.state = adopt_watch(before, watched, targets, now)
        if self.state.configuration is not before.configuration:
            self._telling = telling_of(self.state.configuration)
        if watched.watch_list != before.watch_list:
            say_watched(watched.watch_list)

    def _new_elements(self) -> list[Record]:
        """Records of the elements in files that are not those which the ledger knows."""
        known, now = self.knowledge.elements, self._clock.now()
        feeds = self.state.configuration.feeds
        targets = self.state.configuration.targets
        return new_elements(now, [each for n, each in targets.items() if n not in feeds], known)

    def _recorded_motions(self, new: Iterable[Record]) -> dict[str, Target]:
        """What predictions rested on before the service stopped, where that has changed since."""
        known, now = self.knowledge.elements, self._clock.now()
        found = {}
        for name in {record.subject for record in new} & known.keys():
            target = self.state.targets[name]
            motion = recorded_motion(target.configured or target, known[name], now)
            if motion is not None:
                found[name] = motion
        return found

    def _adopted_record(self, changes: Sequence[str] = ()) -> Record:
        configuration = self.state.configuration
        body = {
            "digest": configuration.digest,
            "targets": sorted(configuration.targets),
            "stations": sorted(configuration.stations),
            "changes": list(changes),
        }
        return self._record(kinds.CONFIGURATION_ADOPTED, body)

    # Small things.

    def _record(self, kind: str, body: dict[str, Any]) -> Record:
        return Record(self._clock.now(), kind, AUTHOR, AUTHOR, body)
