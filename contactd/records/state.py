"""The present state, folded from the ledger's records; and the state as it was known earlier.

Alerts are folded in ``contactd.alerts.fold``; everything else that the ledger knows is
here. A record that a fold does not understand changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from contactd.core import record as kinds
from contactd.core.allocation.records import learn_allocation, learn_schedule
from contactd.core.allocation.result import Allocation
from contactd.core.allocation.schedule import Confirmed
from contactd.core.change import ElementsChange, recorded_change
from contactd.core.ground.status import Stated, learn_status
from contactd.core.handover import GivenHandover, learn_handover
from contactd.core.record import Record
from contactd.core.sequences.knowledge import (
    CONCERNS_SEQUENCES,
    SequenceKnowledge,
    learn,
    parts_of,
)
from contactd.records.definitions import CONCERNS_DEFINITIONS, Definitions

MOST_MISSED_CONTACTS = 200
"""Missed contacts kept per target; the older ones stay in the ledger."""

MOST_OBSERVATIONS = 400
"""Observations kept per target; the older ones stay in the ledger."""

SequenceKey = tuple[str, str]


@dataclass(frozen=True, slots=True)
class State:
    """What the records say, up to one of them.

    Attributes:
        number: of the last record that is part of it; records that are not yet stored (number 0)
            count without changing it.
        latest_at: the latest instant (s) at which any of them was recorded.
        sequences: what is known of each sequence, by (target, sequence).
        elements: the record that adopted the latest elements, by target.
        elements_changes: the last change of what its predictions rest on, by target.
        missed_contacts: records of missed contacts, by target, oldest first, the last
            ``MOST_MISSED_CONTACTS`` of them.
        observations: records of what stations observed of each target's motion, oldest first, the
            last ``MOST_OBSERVATIONS`` of them.
        corrections: the last record that adopts or drops a correction of the motion, by target.
        station_status: what is stated of each station, by its name.
        handover: the last shift that was handed over, and what is confirmed of it; or None.
        station_time: what was granted last, with what was granted before; None if never anything.
        confirmed: what stations' own schedules say, by station.
        configuration: the record that adopted the latest configuration.
        configuration_refused: the last refusal after it, or None.
        service_started, service_stopped: the last such records.
        remarks, starts_of_service: how many there were.
        definitions: which definitions of targets and stations are in force.
    """

    number: int = 0
    latest_at: float | None = None
    sequences: Mapping[SequenceKey, SequenceKnowledge] = field(default_factory=dict)
    elements: Mapping[str, Record] = field(default_factory=dict)
    elements_changes: Mapping[str, ElementsChange] = field(default_factory=dict)
    missed_contacts: Mapping[str, tuple[Record, ...]] = field(default_factory=dict)
    observations: Mapping[str, tuple[Record, ...]] = field(default_factory=dict)
    corrections: Mapping[str, Record] = field(default_factory=dict)
    station_status: Mapping[str, Stated] = field(default_factory=dict)
    handover: GivenHandover | None = None
    station_time: Allocation | None = None
    confirmed: Mapping[str, Confirmed] = field(default_factory=dict)
    configuration: Record | None = None
    configuration_refused: Record | None = None
    service_started: Record | None = None
    service_stopped: Record | None = None
    remarks: int = 0
    starts_of_service: int = 0
    definitions: Definitions = field(default_factory=Definitions)

    @property
    def configuration_digest(self) -> str:
        """Digest of the last configuration that was adopted, or ""."""
        if self.configuration is None:
            return ""
        return str(self.configuration.body.get("digest", ""))


def fold(state: State, records: Iterable[Record]) -> State:
    """The state after more records, which are given in the ledger's order.

    A record that is already part of the state is passed over. Folding in one go or in pieces
    gives the same.
    """
    sequences = dict(state.sequences)
    elements = dict(state.elements)
    changes: dict[str, ElementsChange] = {}
    missed = dict(state.missed_contacts)
    observations = dict(state.observations)
    corrections = dict(state.corrections)
    stations, handover = state.station_status, state.handover
    station_time, confirmed = state.station_time, state.confirmed
    number, latest_at = state.number, state.latest_at
    remarks, starts = state.remarks, state.starts_of_service
    definitions = state.definitions
    last: dict[str, Record | None] = {
        kinds.CONFIGURATION_ADOPTED: state.configuration,
        kinds.CONFIGURATION_REFUSED: state.configuration_refused,
        kinds.SERVICE_STARTED: state.service_started,
        kinds.SERVICE_STOPPED: state.service_stopped,
    }
    for record in records:
        if record.number:
            if record.number <= number:
                continue
            number = record.number
        latest_at = record.at if latest_at is None else max(latest_at, record.at)
        kind = record.kind
        if kind in CONCERNS_SEQUENCES:
            target, sequence, _ = parts_of(record.subject)
            known = sequences.get((target, sequence), SequenceKnowledge())
            after = sequences[target, sequence] = learn(known, record)
            definitions = definitions.began((target, sequence), known, after)
        elif kind in CONCERNS_DEFINITIONS:
            definitions = definitions.learn(record, sequences)
        elif kind == kinds.ELEMENTS_ADOPTED:
            elements[record.subject] = record
        elif kind == kinds.ELEMENTS_CHANGED:
            change = recorded_change(record)
            if change is not None:
                changes[record.subject] = change
        elif kind == kinds.CONTACT_MISSED:
            target = parts_of(record.subject)[0]
            kept = (*missed.get(target, ()), record)
            missed[target] = kept[-MOST_MISSED_CONTACTS:]
        elif kind in kinds.OBSERVATIONS:
            seen = (*observations.get(record.subject, ()), record)
            observations[record.subject] = seen[-MOST_OBSERVATIONS:]
        elif kind == kinds.MOTION_CORRECTED:
            corrections[record.subject] = record
        elif kind == kinds.STATION_STATUS:
            stated = learn_status(stations.get(record.subject, ()), record)
            stations = {**stations, record.subject: stated}
        elif kind in (kinds.HANDOVER_GIVEN, kinds.HANDOVER_CONFIRMED):
            handover = learn_handover(handover, record)
        elif kind == kinds.STATION_TIME_ALLOCATED:
            station_time = learn_allocation(station_time, record)
        elif kind == kinds.STATION_TIME_CONFIRMED:
            confirmed = learn_schedule(confirmed, record)
        elif kind in last:
            last[kind] = record
            starts += kind == kinds.SERVICE_STARTED
            if kind == kinds.CONFIGURATION_ADOPTED:
                last[kinds.CONFIGURATION_REFUSED] = None
        elif kind == kinds.REMARK:
            remarks += 1
    return replace(
        state,
        number=number,
        latest_at=latest_at,
        sequences=sequences,
        elements=elements,
        elements_changes={**state.elements_changes, **changes}
        if changes
        else state.elements_changes,
        missed_contacts=missed,
        observations=observations,
        corrections=corrections,
        station_status=stations,
        handover=handover,
        station_time=station_time,
        confirmed=confirmed,
        configuration=last[kinds.CONFIGURATION_ADOPTED],
        configuration_refused=last[kinds.CONFIGURATION_REFUSED],
        service_started=last[kinds.SERVICE_STARTED],
        service_stopped=last[kinds.SERVICE_STOPPED],
        remarks=remarks,
        starts_of_service=starts,
        definitions=definitions,
    )


def as_known_at(records: Iterable[Record], instant: float) -> State:
    """The state as it was known at an instant (s): only what had been recorded by then counts."""
    return fold(State(), (record for record in records if record.at <= instant))


# Of these the state keeps the latest for each subject; earlier ones may be archived.
_LATEST_COUNTS = frozenset(
    {
        kinds.ELEMENTS_ADOPTED,
        kinds.ELEMENTS_CHANGED,
        kinds.CONFIGURATION_ADOPTED,
        kinds.CONFIGURATION_REFUSED,
    }
)


def rests_on(records: Iterable[Record]) -> frozenset[int]:
    """Numbers of the records on which the present state rests, alerts apart.

    What people have stated always counts; of what the service itself adopts, the latest does, and
    of a definition also the one that was in force when its run began.
    """
    numbers: set[int] = set()
    latest: dict[tuple[str, str], int] = {}
    state = State()
    for record in records:
        if record.kind in _LATEST_COUNTS:
            latest[record.kind, record.subject] = record.number
        elif record.kind not in kinds.OF_ALERTS:
            if record.kind != kinds.DEFINITION_ADOPTED:
                numbers.add(record.number)
            if record.kind in CONCERNS_DEFINITIONS or record.kind in CONCERNS_SEQUENCES:
                state = fold(state, [record])
    return frozenset(numbers.union(latest.values(), state.definitions.numbers))
