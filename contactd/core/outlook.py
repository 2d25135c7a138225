"""The outlook: all that is known of a target's near future, and the snapshot of all targets.

Faces and metrics read one immutable snapshot; nothing else is shared between the planning loop
and those who look at it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from contactd.core.alert import Alert
from contactd.core.allocation.result import Allocation
from contactd.core.change import ElementsChange
from contactd.core.contacts.contact import Contact, Coverage
from contactd.core.contacts.spread import ContactSpread, ContactSpreads
from contactd.core.ground.station import Station
from contactd.core.handover import GivenHandover
from contactd.core.intervals import EMPTY, IntervalSet
from contactd.core.orbit.orbit_error import OrbitError
from contactd.core.sequences.model import SequenceForecast
from contactd.core.watched import Contradiction, Unwatched


@dataclass(frozen=True, slots=True)
class ElementsInUse:
    """The element set that predictions rest on.

    Attributes:
        epoch: instant (s).
        source: where it came from, for people (a file's name, ``in the target's file``, a URL).
        stale_after_s: distance from its epoch, either way, at which it counts as stale.
        error: how far the motion may be off, and where that figure comes from.
        timing_error_s: bound of it along the track at the moment of planning.
    """

    epoch: float
    source: str
    stale_after_s: float
    timing_error_s: float
    error: OrbitError

    def is_stale(self, instant: float) -> bool:
        """Whether an instant (s) is farther from the elements' epoch than it should be."""
        return abs(instant - self.epoch) > self.stale_after_s


@dataclass(frozen=True, slots=True)
class TargetOutlook:
    """One target's contacts, coverage and forecasts over a span.

    Attributes:
        span: (start, end) instants (s) that the prediction covers.
        gaps: times within the span in which nothing is known of the target's motion.
        contacts: ordered by AOS.
        open_contacts: by station, when the target may be in view, from the time on when a planned
            manoeuvre leaves that open; empty where nothing is open.
        spreads: how far AOS and LOS may be off, and how likely each contact is; None where it is
            open how planned manoeuvres go.
        in_view: by station, when the target stands above its horizon: as predicted, for every
            motion within the orbit's error, for any of them.
        services: coverage by service name, then by station name; outages are taken out, and what
            was granted to others.
        problem: why the target could not be predicted in full (decayed, no elements …), or None.
        predicted_in_s: how long the prediction took.
        granted: antenna time that the target was given, by station; None if all is its own.
    """

    target: str
    span: tuple[float, float]
    elements: ElementsInUse | None = None
    contacts: Sequence[Contact] = ()
    spreads: ContactSpreads | None = None
    in_view: Mapping[str, Coverage] = field(default_factory=dict)
    services: Mapping[str, Mapping[str, Coverage]] = field(default_factory=dict)
    forecasts: tuple[SequenceForecast, ...] = ()
    problem: str | None = None
    predicted_in_s: float = 0.0
    gaps: IntervalSet = EMPTY
    open_contacts: Mapping[str, IntervalSet] = field(default_factory=dict)
    granted: Mapping[str, IntervalSet] | None = None

    def spread_of(self, contact: Contact) -> ContactSpread | None:
        """How far one of its contacts may be off; None where that is not known."""
        if self.spreads is None or contact.station not in self.in_view:
            return None
        return self.spreads.of(contact, self.in_view[contact.station])

    def windows(
        self,
        service: str,
        from_s: float = -math.inf,
        until_s: float = math.inf,
        most: int | None = None,
    ) -> Iterator[tuple[float, float, str]]:
        """A service's windows that meet a span (instants, s), whole: (start, end, station).

        Station by station, each in order of time, at most ``most`` of each.
        """
        for station, coverage in self.services.get(service, {}).items():
            spans = coverage.nominal
            first = int(spans.ends.searchsorted(from_s, side="right"))
            last = int(spans.starts.searchsorted(until_s, side="left"))
            rows = slice(first, last if most is None else min(last, first + most))
            for start, end in zip(
                spans.starts[rows].tolist(), spans.ends[rows].tolist(), strict=True
            ):
                yield start, end, station


@dataclass(frozen=True, slots=True)
class ClockTrust:
    """Whether the service's wall clock can be believed, and why not."""

    trusted: bool = True
    why: str = ""
    offset_s: float | None = None


@dataclass(frozen=True, slots=True)
class ConfigurationStatus:
    """What configuration is in force, and what is wrong with the files on disk.

    Attributes:
        digest: of the configuration in force.
        adopted_at: instant (s).
        problems: one text per error of the files on disk, each with file:line:column.
    """

    digest: str = ""
    adopted_at: float = 0.0
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that faces and metrics may show, at one instant.

    Attributes:
        at: instant (s) of the beat that made it.
        planned_at: instant (s) of the last complete planning.
        looking_since: instant (s) since which it has looked without a gap, if that is known.
        elements_changes: the last change of what each target's predictions rest on.
        alerts: raised and neither acknowledged, resolved nor over, most severe first.
        ledger_at: number of the last record that the state is folded from.
        station_time: who has which station when; None if every contact is ours.
        station_time_trouble: why station time cannot be shared at present, or "".
        ledger_trouble: why the ledger cannot be written at present, or "".
        ledger_damage: what is known of damage to the ledger's file, or "".
        contradictions: where the files say otherwise than what runs aboard.
        unwatched: what ought to be watched and is not.
        unread: names of targets whose files are wrong, so that they are watched as last known.
        retired: what somebody said is there no longer, as records name it.
        handover: the last shift that was handed over, and what is confirmed of it; or None.
    """

    at: float
    planned_at: float | None = None
    looking_since: float | None = None
    targets: Mapping[str, TargetOutlook] = field(default_factory=dict)
    stations: Mapping[str, Station] = field(default_factory=dict)
    configuration: ConfigurationStatus = field(default_factory=ConfigurationStatus)
    clock: ClockTrust = field(default_factory=ClockTrust)
    alerts: tuple[Alert, ...] = ()
    ledger_at: int = 0
    ledger_trouble: str = ""
    ledger_damage: str = ""
    elements_changes: Mapping[str, ElementsChange] = field(default_factory=dict)
    station_time: Allocation | None = None
    station_time_trouble: str = ""
    contradictions: tuple[Contradiction, ...] = ()
    unwatched: tuple[Unwatched, ...] = ()
    unread: frozenset[str] = frozenset()
    retired: frozenset[str] = frozenset()
    handover: GivenHandover | None = None


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the service lives and whether it can be relied on, with reasons when not.

    Attributes:
        live: the beat goes on; a supervisor should restart a service that is not live.
        ready: configuration, ledger and a first complete plan are there.
        reasons: sentences, empty when all is well.
        role: of several services on one ledger, whether this one ``leads`` or ``follows``, or is
            ``unsure`` whether it still leads; "" for one that is alone.
        leader: name of the one that leads; "" if none does, or this one is alone.
    """

    live: bool
    ready: bool
    reasons: tuple[str, ...] = ()
    role: str = ""
    leader: str = ""
