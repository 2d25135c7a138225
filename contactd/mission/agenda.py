"""What comes next: what asks for a decision, apart from routine; every face shows these rows.

A row is a fact of the outlook. Faces put its moments into words by :meth:`Row.when` or
:attr:`Row.safe`, and show its text as it is given.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

from contactd.core.contacts.contact import Contact
from contactd.core.contacts.outage import outage_of
from contactd.core.contacts.table import all_meeting
from contactd.core.ground.station import Station
from contactd.core.ground.status import degraded_in, reason
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.core.sequences.model import (
    Covered,
    SequenceForecast,
    StartStatus,
    StepForecast,
    StepStatus,
)
from contactd.mission.texts.stop import (
    NO_STOP,
    NOT_CERTAIN,
    chance_text,
    chance_when,
    command_text,
)
from contactd.mission.timetext import (
    NO_EARLIER,
    NO_LATER,
    Safe,
    inner,
    length,
    moment,
    outer,
)

__all__ = [
    "Agenda",
    "Kind",
    "Row",
    "agenda",
    "contact_rows",
    "rows_of",
    "step_notes",
    "window_rows",
    "zone_text",
]

COMMAND = "command"
NOT_AHEAD = (StepStatus.SEEN, StepStatus.STOPPED, StepStatus.UNSET)


class Kind(StrEnum):
    """What a row is of."""

    START = "start"
    STOP_BY = "stop by"
    STOP_CHANCE = "stop chance"
    NEXT_COMMAND = "next command"
    EXPIRY = "expiry"
    KEEP_CLEAR = "keep clear"
    WINDOW = "command window"
    CONTACT = "contact"


_SAFE = {
    Kind.STOP_BY: (NO_LATER, NO_LATER),
    Kind.STOP_CHANCE: (NO_EARLIER, NO_LATER),
    Kind.NEXT_COMMAND: (NO_LATER, NO_LATER),
    Kind.WINDOW: (NO_EARLIER, NO_LATER),
    Kind.CONTACT: (NO_LATER, NO_LATER),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that comes, or is under way.

    Attributes:
        from_s, to_s: instants (s); the same for a moment.
        step: the step that it is about, or "".
        stops: the step whose command it is, where it is about a stop, or "".
        station: the station that it needs, or "".
        text: what it is, without its time and its target.
        sequence: the sequence that it is about, or "".
        decision: whether somebody must decide or act, and not only know.
        coverage: of an expiry, where the step needs a station.
        hazard: of the step, or None.
        until_decided: it stays, whatever the time, until a record decides it.
        ended_by_prediction: its end is the end of the prediction; it goes on beyond.
        out_of_service: the station's outage takes all of it.
        contact: the contact, where it is one.
    """

    kind: Kind
    from_s: float
    to_s: float
    target: str
    step: str = ""
    stops: str = ""
    station: str = ""
    text: str = ""
    sequence: str = ""
    decision: bool = False
    coverage: Covered | None = None
    hazard: str | None = None
    until_decided: bool = False
    ended_by_prediction: bool = False
    out_of_service: bool = False
    contact: Contact | None = None

    @property
    def about(self) -> str:
        """``target/sequence/step``, as far as it has them, or ``target/station``."""
        names = (self.target, self.sequence, self.step) if self.sequence else (self.target,)
        return "/".join(name for name in names if name)

    @property
    def safe(self) -> tuple[Safe, Safe]:
        """Which way its start and its end may be told wrong."""
        return _SAFE.get(self.kind, (NO_LATER, NO_EARLIER))

    def is_ahead(self, now_s: float) -> bool:
        """Whether it is still to come, or under way."""
        return self.until_decided or self.to_s > now_s

    def when(self, now_s: float | None = None) -> str:
        """Its time in words, on the safe side; without the date within twelve hours of now."""
        if self.to_s == self.from_s and self.safe[0] is self.safe[1]:
            return moment(self.from_s, self.safe[0], now_s=now_s)
        if self.kind is Kind.STOP_CHANCE:
            return chance_when(self.from_s, self.to_s, now_s)
        if self.kind is Kind.WINDOW:
            return inner(self.from_s, self.to_s, now_s=now_s)
        if self.kind is Kind.CONTACT:
            floored = math.floor(self.from_s), math.floor(self.to_s)
            return inner(*floored, now_s=now_s)
        return outer(self.from_s, self.to_s, now_s=now_s)


@dataclass(frozen=True, slots=True)
class Agenda:
    """What comes next, each in order of time.

    Attributes:
        decisions: stop-by, remaining chances to stop, an expiry that is uncovered or at risk,
            keep-clear, a start that is due or in doubt.
        routine: contacts, command windows, all other expiries.
    """

    decisions: tuple[Row, ...] = ()
    routine: tuple[Row, ...] = ()

    @property
    def rows(self) -> tuple[Row, ...]:
        """All of it, in order of time."""
        return tuple(sorted((*self.decisions, *self.routine), key=_in_time))


def _in_time(row: Row) -> tuple[float, float, str]:
    return (row.from_s, row.to_s, row.about)


def agenda(
    snapshot: Snapshot, now_s: float, until_s: float, most_windows: int | None = None
) -> Agenda:
    """What is under way at ``now_s`` or begins before ``until_s`` (instants, s).

    Args:
        most_windows: at most so many command windows of each target and station, and so many
            contacts of each target are looked at; None for all.

    A contact with a command window in it is not listed beside the window.
    """
    decisions: list[Row] = []
    routine: list[Row] = []
    for outlook in snapshot.targets.values():
        for row in rows_of(outlook):
            if row.is_ahead(now_s) and row.from_s < until_s:
                (decisions if row.decision else routine).append(row)
        routine += _passes(outlook, snapshot.stations, now_s, until_s, most_windows)
    return Agenda(
        tuple(sorted(decisions, key=_in_time)),
        tuple(sorted(routine, key=_in_time)),
    )


def _passes(
    outlook: TargetOutlook,
    stations: Mapping[str, Station],
    now_s: float,
    until_s: float,
    most: int | None,
) -> Iterator[Row]:
    """Command windows, and the contacts of stations that have none in them."""
    yield from window_rows(outlook, stations, now_s, until_s, most)
    commands = outlook.services.get(COMMAND, {})
    for contact in all_meeting(outlook.contacts, now_s, until_s, most):
        coverage = commands.get(contact.station)
        if coverage is None or not coverage.nominal.clip(contact.aos, contact.los):
            yield contact_row(outlook, contact, stations.get(contact.station))


def window_rows(
    outlook: TargetOutlook,
    stations: Mapping[str, Station],
    from_s: float = -math.inf,
    until_s: float = math.inf,
    most: int | None = None,
) -> Iterator[Row]:
    """The command windows that meet a span (instants, s), whole, station by station."""
    for start, end, station in outlook.windows(COMMAND, from_s, until_s, most):
        beyond = end >= outlook.span[1]
        yield Row(
            Kind.WINDOW,
            start,
            end,
            outlook.target,
            station=station,
            text=f"command window with {station}"
            + (_BEYOND if beyond else "")
            + _degraded(stations.get(station), start, end),
            ended_by_prediction=beyond,
        )


def _degraded(station: Station | None, start: float, end: float) -> str:
    found = None if station is None else degraded_in(start, end, station)
    return "" if found is None else f", station degraded: {reason(found)}"


_BEYOND = ", in view beyond the prediction's end"


def contact_rows(outlook: TargetOutlook, stations: Mapping[str, Station]) -> Iterator[Row]:
    """All contacts of an outlook, in their order."""
    for contact in outlook.contacts:
        yield contact_row(outlook, contact, stations.get(contact.station))


def contact_row(outlook: TargetOutlook, contact: Contact, station: Station | None) -> Row:
    """One contact, with its station's outage where it has one.

    Args:
        station: None if it is not configured any more.
    """
    text = f"contact with {contact.station}"
    if contact.cut_at_end:
        text += _BEYOND
    elif not contact.cut_at_start:
        text += f", max {contact.max_elevation_deg:.0f}°"
    out = None if station is None else outage_of(contact, station)
    if out is not None:
        why = f": {out.why}" if out.why else ""
        span = outer(out.start, out.end, now_s=contact.aos)
        text += f", station out of service {span}{why}"
    else:
        text += _degraded(station, contact.aos, contact.los)
    return Row(
        Kind.CONTACT,
        contact.aos,
        contact.los,
        outlook.target,
        station=contact.station,
        text=text,
        ended_by_prediction=contact.cut_at_end,
        out_of_service=out is not None and out.takes_all,
        contact=contact,
    )


def rows_of(outlook: TargetOutlook) -> Iterator[Row]:
    """What the sequences of a target bring, past and to come."""
    for forecast in outlook.forecasts:
        yield from _start(forecast)
        for step in forecast.steps:
            yield from _step(step)


def _start(forecast: SequenceForecast) -> Iterator[Row]:
    start = forecast.start
    if start.earliest is None or start.latest is None:
        return
    if start.status is StartStatus.EXPECTED:
        text = f"start of '{forecast.sequence}' due: record start or no-start"
    elif start.status is StartStatus.IN_DOUBT:
        text = (
            f"'{forecast.sequence}' may have started: treat it as running, keep everyone away, "
            "until a decision is recorded"
        )
    else:
        return
    yield Row(
        Kind.START,
        start.earliest,
        start.latest,
        forecast.target,
        text=text,
        sequence=forecast.sequence,
        decision=True,
        until_decided=True,
    )


def _step(step: StepForecast) -> Iterator[Row]:
    if step.earliest is None or step.latest is None:
        return
    if step.keep_clear is not None and step.status not in (StepStatus.STOPPED, StepStatus.UNSET):
        yield _row(
            step,
            Kind.KEEP_CLEAR,
            *step.keep_clear,
            f"keep clear{zone_text(step)}: step '{step.step}', {step.hazard or 'hazard'}",
        )
    if step.status in NOT_AHEAD:
        return
    verdict = "" if step.coverage is None else f" {step.coverage}"
    parts = [f"step '{step.step}' expires{verdict}"]
    if step.hazard:
        parts.append(f"hazard: {step.hazard}")
    parts += step_notes(step)
    yield _row(step, Kind.EXPIRY, step.earliest, step.latest, ", ".join(parts))
    yield from _stops(step)
    yield from _next_command(step)


def step_notes(step: StepForecast) -> Iterator[str]:
    """What must stand beside an expiry: that its setting is not known, that no stop is certain."""
    if step.setting_unknown is not None:
        least, most = step.setting_unknown
        yield f"setting unknown: {length(least, NO_LATER)} to {length(most, NO_EARLIER)}"
    if step.stop_possible is False:
        yield NO_STOP
    elif step.stop_certain is False:
        yield NOT_CERTAIN


def zone_text(step: StepForecast) -> str:
    """``, zone 200 m``, or "" where the configuration names none."""
    return f", zone {step.zone}" if step.zone else ""


def _stops(step: StepForecast) -> Iterator[Row]:
    if step.stop_certain and step.stop_by is not None:
        text = f"stop by, step '{step.step}': send {command_text(step.stops, step.stop_station)}"
        stops, station = step.stops or "", step.stop_station or ""
        yield _row(step, Kind.STOP_BY, step.stop_by, step.stop_by, text, stops, station)
        return
    for chance in step.stop_chances:
        text = f"{NOT_CERTAIN}, step '{step.step}': {chance_text(chance)}"
        span = chance.opens, chance.closes
        yield _row(step, Kind.STOP_CHANCE, *span, text, chance.stops, chance.station)


def _next_command(step: StepForecast) -> Iterator[Row]:
    needed = step.next_command
    if needed is None or needed.by is None:
        return
    text = (
        f"next command by, step '{step.step}': send any through {needed.station}, "
        f"windows left: {needed.windows_left}"
    )
    station = needed.station or ""
    yield _row(step, Kind.NEXT_COMMAND, needed.by, needed.by, text, station=station)


def _row(
    step: StepForecast,
    kind: Kind,
    from_s: float,
    to_s: float,
    text: str,
    stops: str = "",
    station: str = "",
) -> Row:
    routine = kind is Kind.EXPIRY and step.coverage in (None, Covered.COVERED)
    return Row(
        kind,
        from_s,
        to_s,
        step.target,
        step=step.step,
        stops=stops,
        station=station,
        text=text,
        sequence=step.sequence,
        decision=not routine,
        coverage=step.coverage if kind is Kind.EXPIRY else None,
        hazard=step.hazard,
    )
