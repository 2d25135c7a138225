"""Gathers a handover from the ledger and the outlooks; pure, so that every face says the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from contactd.alerts.quality import Alarm, Quality, quality
from contactd.core import record as kinds
from contactd.core.alert import Alert
from contactd.core.allocation.result import Allocation
from contactd.core.handover import GivenHandover, OpenItem, ReadBack
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.core.record import Record
from contactd.core.sequences.model import Covered, SequenceForecast, StartStatus, StepStatus
from contactd.mission.agenda import Kind, Row, agenda, step_notes
from contactd.mission.documents.spans import SHOWN_WITHIN_S
from contactd.mission.open_items import open_items
from contactd.mission.texts.allocation import earlier_stop
from contactd.mission.texts.notice import NOTICE
from contactd.mission.texts.records import record_words
from contactd.mission.texts.stations import status_text
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, Safe, machine, moment

DECIDES = frozenset(
    {
        kinds.RULING,
        kinds.COMMAND_SENT,
        kinds.SETTING_CHOSEN,
        kinds.START_PLANNED,
        kinds.SEQUENCE_STOPPED,
        kinds.SEQUENCE_HELD,
        kinds.SEQUENCE_RESUMED,
        kinds.ALERT_ACKNOWLEDGED,
    }
)
"""Kinds by which somebody decided or did something."""
ROUTINE = frozenset(
    {
        kinds.ALERT_RAISED,
        kinds.ALERT_SENT,
        kinds.ALERT_DELIVERED,
        kinds.ALERT_RESOLVED,
    }
)
"""Kinds that say how telling went, not what changed."""


@dataclass(frozen=True, slots=True)
class Item:
    """One line: at an instant (s), or from one until another, what, and about what.

    Attributes:
        kind: of what is coming, as in :class:`~contactd.mission.agenda.Kind`; else "".
        stops: of a stop, the step whose command it is.
        station: the station that it needs, or "".
        decision: whether somebody must decide or act.
        severity: ``warning``, ``caution`` or ``advisory`` of an alert, ``warning`` of an expiry
            that is uncovered, else "".
        safe: which way ``at`` and ``until`` may be told wrong.
    """

    at: float
    what: str
    about: str = ""
    until: float | None = None
    who: str = ""
    kind: str = ""
    stops: str = ""
    station: str = ""
    decision: bool = False
    severity: str = ""
    safe: tuple[Safe, Safe] = (NEAREST, NEAREST)


BOUNDS = (NO_LATER, NO_EARLIER)


@dataclass(frozen=True, slots=True)
class Handover:
    """What the next shift must know.

    Attributes:
        since, now, until: instants (s): the shift that ends, and the one that begins.
        open_items: what wants somebody's attention, gravest first.
        coming: windows, expiries, stop-bys and keep-clears of the next shift, in order of time.
            What goes on after the shift is told whole, and says so.
        known: what is known of each sequence, and how well.
        changed: what was learned in the shift that ends.
        decided: what was decided or done in it, and by whom.
        notice: the caution to show where a step is hazardous, or "".
        alarms: figures of the shift that ends, for everyone and for each role.
        to_read: every open hazard, stop and doubt.
        given: the shift as it was handed over, where that was in the shift that ends.
    """

    since: float
    now: float
    until: float
    open_items: tuple[Item, ...] = ()
    coming: tuple[Item, ...] = ()
    known: tuple[Item, ...] = ()
    changed: tuple[Item, ...] = ()
    decided: tuple[Item, ...] = ()
    notice: str = field(default="")
    alarms: tuple[Quality, ...] = ()
    to_read: tuple[OpenItem, ...] = ()
    given: GivenHandover | None = None

    @property
    def read_back(self) -> tuple[tuple[OpenItem, ReadBack | None], ...]:
        """What is to be read back, and how it was: of the shift that was handed over in this time,
        else of what is open now."""
        if self.given is None:
            return tuple((each, None) for each in self.to_read)
        return tuple(
            (each, self.given.confirmed.get(number))
            for number, each in enumerate(self.given.items, 1)
        )

    @property
    def decisions(self) -> tuple[Item, ...]:
        """Of what is coming, what asks somebody to decide or to act."""
        return tuple(item for item in self.coming if item.decision)

    @property
    def routine(self) -> tuple[Item, ...]:
        """The rest of what is coming."""
        return tuple(item for item in self.coming if not item.decision)

    def as_json(self) -> dict[str, Any]:
        """The handover as JSON values."""

        def forms(items: Iterable[Item]) -> list[dict[str, Any]]:
            return [
                {
                    "at": machine(item.at, item.safe[0]),
                    "until": machine(item.until, item.safe[1]),
                    "about": item.about,
                    "what": item.what,
                    "who": item.who,
                    "kind": item.kind,
                    "stops": item.stops or None,
                    "station": item.station or None,
                    "decision": item.decision,
                    "severity": item.severity or None,
                }
                for item in items
            ]

        return {
            "since": machine(self.since, NEAREST),
            "now": machine(self.now, NEAREST),
            "until": machine(self.until, NEAREST),
            "open": forms(self.open_items),
            "coming": forms(self.coming),
            "known": forms(self.known),
            "changed": forms(self.changed),
            "decided": forms(self.decided),
            "notice": self.notice,
            "alarms": [each.as_json() for each in self.alarms],
            "given": self._given(),
            "read_back": [
                {
                    "number": number,
                    "kind": item.kind,
                    "about": item.about,
                    "what": item.what,
                    "by": None if read is None else read.author,
                    "at": None if read is None else machine(read.at, NEAREST),
                    "words": None if read is None else read.words,
                }
                for number, (item, read) in enumerate(self.read_back, 1)
            ],
        }

    def _given(self) -> dict[str, Any] | None:
        given = self.given
        if given is None:
            return None
        return {
            "record": given.number,
            "by": given.author,
            "to": given.to,
            "at": machine(given.at, NEAREST),
            "until": machine(given.due, NO_LATER),
        }


def gather(
    records: Sequence[Record],
    snapshot: Snapshot,
    told: Mapping[str, str],
    since: float,
    now: float,
    until: float,
    alarms: Iterable[Alarm] = (),
) -> Handover:
    """The handover at ``now``.

    Args:
        records: the ledger's, in order; those of the shift that ends are picked out.
        snapshot: with the alerts that nobody has acknowledged, and the outlook of every target,
            reaching to ``until`` at least.
        told: what each alert said, by its identity.
        since, now, until: instants (s).
        alarms: alerts as they count as alarms, also of some time before the shift.
    """
    shift = [record for record in records if since - SHOWN_WITHIN_S <= record.at <= now]
    outlooks = list(snapshot.targets.values())
    forecasts = [forecast for outlook in outlooks for forecast in outlook.forecasts]
    return Handover(
        since=since,
        now=now,
        until=until,
        open_items=(
            *_waiting(snapshot.alerts),
            *_earlier_stops(snapshot.station_time, now),
            *_unsettled(outlooks, now),
            *_stations(snapshot, now, until),
        ),
        coming=tuple(_coming(row, now, until) for row in agenda(snapshot, now, until).rows),
        known=tuple(item for forecast in forecasts for item in _known(forecast, now)),
        changed=tuple(_changed(shift)),
        decided=tuple(_decided(shift, told)),
        alarms=quality(alarms, since, now),
        to_read=open_items(outlooks, now),
        given=snapshot.handover
        if snapshot.handover is not None and snapshot.handover.at >= since
        else None,
        notice=NOTICE if any(forecast.hazardous for forecast in forecasts) else "",
    )


def _waiting(alerts: Sequence[Alert]) -> Iterator[Item]:
    for alert in alerts:
        text = f"{alert.severity}, not acknowledged: {alert.what} {alert.do}".strip()
        severity = str(alert.severity)
        yield Item(alert.moment, text, alert.subject, severity=severity, safe=(NO_LATER, NO_LATER))


def _earlier_stops(made: Allocation | None, now: float) -> Iterator[Item]:
    """Stops that others' station time makes earlier, as long as they are not past anyhow."""
    for each in made.earlier_stops if made is not None else ():
        if each.without > now:
            at = each.without if each.stop_by is None else each.stop_by
            about = f"{each.target}/{each.sequence}/{each.step}"
            severity = "warning" if each.hazard else "caution"
            text = earlier_stop(each)
            yield Item(at, text, about, severity=severity, safe=(NO_LATER, NO_LATER))


def _unsettled(outlooks: Sequence[TargetOutlook], now: float) -> Iterator[Item]:
    for outlook in outlooks:
        elements = outlook.elements
        if elements is not None and elements.is_stale(now):
            yield Item(elements.epoch, "elements stale: load newer ones", outlook.target)
        if outlook.problem is not None:
            yield Item(now, f"prediction incomplete: {outlook.problem}", outlook.target)
        for forecast in outlook.forecasts:
            about = f"{forecast.target}/{forecast.sequence}"
            start = forecast.start
            if start.status is StartStatus.IN_DOUBT and start.earliest is not None:
                text = "in doubt: it may have started. Treat it as running."
                yield Item(start.earliest, text, about, start.latest, decision=True, safe=BOUNDS)
            for conflict in forecast.conflicts:
                yield Item(now, f"records contradict: {conflict}", about)


def _stations(snapshot: Snapshot, now: float, until: float) -> Iterator[Item]:
    """What is stated of stations for now or for the next shift."""
    for station in snapshot.stations.values():
        for stated in station.stated:
            if stated.end > now and stated.start < until:
                yield Item(stated.start, status_text(stated, now), station.name, safe=BOUNDS)


def _coming(row: Row, now: float, until: float) -> Item:
    text = row.text
    if row.from_s <= now < row.to_s:
        text += ", now"
    if row.to_s > until and not row.ended_by_prediction:
        text += f", continues to {moment(row.to_s, row.safe[1], now_s=now)}"
    return Item(
        row.from_s,
        text,
        row.about,
        None if row.kind in (Kind.STOP_BY, Kind.NEXT_COMMAND) else row.to_s,
        kind=str(row.kind),
        stops=row.stops,
        station=row.station,
        decision=row.decision,
        severity="warning" if row.coverage is Covered.UNCOVERED else "",
        safe=row.safe,
    )


def _known(forecast: SequenceForecast, now: float) -> Iterator[Item]:
    start, about = forecast.start, f"{forecast.target}/{forecast.sequence}"
    if start.earliest is None:
        yield Item(now, f"start {start.status}", about)
    else:
        where = f"record {start.record}" if start.record else "the configuration"
        text = f"start {start.status}, from {where}"
        yield Item(start.earliest, text, about, start.latest, safe=BOUNDS)
    for step in forecast.steps:
        if step.earliest is None:
            yield Item(now, _STATUS[step.status], f"{about}/{step.step}")
        else:
            covered = [str(step.coverage)] if step.coverage is not None else []
            text = ", ".join([_STATUS[step.status], *covered, *step_notes(step)])
            yield Item(step.earliest, text, f"{about}/{step.step}", step.latest, safe=BOUNDS)


_STATUS = {
    StepStatus.UNSET: "expiry not known",
    StepStatus.PLANNED: "planned",
    StepStatus.RUNNING: "running",
    StepStatus.EXPIRING: "expiring",
    StepStatus.EXPIRED: "expired",
    StepStatus.SEEN: "confirmed",
    StepStatus.HELD: "hold",
    StepStatus.STOPPED: "stopped",
}


def _changed(shift: Sequence[Record]) -> Iterator[Item]:
    for record in shift:
        if record.kind in ROUTINE or record.kind in DECIDES:
            continue
        yield Item(record.at, record_words(record), record.subject, who=record.author)


def _decided(shift: Sequence[Record], told: Mapping[str, str]) -> Iterator[Item]:
    for record in shift:
        if record.kind not in DECIDES:
            continue
        text = record_words(record)
        said = told.get(str(record.body.get("identity", "")))
        if record.kind == kinds.ALERT_ACKNOWLEDGED and said:
            text = f"acknowledged: {said}"
        yield Item(record.at, text, record.subject, who=record.author)
