"""Gathers a handover from the ledger and the outlooks; pure, so that every face says the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from contactd.core import record as kinds
from contactd.core.alert import Alert
from contactd.core.intervals import union
from contactd.core.outlook import TargetOutlook
from contactd.core.record import Record
from contactd.core.sequences.cautions import NOTICE
from contactd.core.sequences.model import (
    Covered,
    SequenceForecast,
    StartStatus,
    StepForecast,
    StepStatus,
)
from contactd.mission.documents.spans import SHOWN_WITHIN_S
from contactd.mission.timetext import NEAREST, machine

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
GONE = (StepStatus.SEEN, StepStatus.STOPPED, StepStatus.UNSET)


@dataclass(frozen=True, slots=True)
class Item:
    """One line: at an instant (s), or from one until another, what, and about what."""

    at: float
    what: str
    about: str = ""
    until: float | None = None
    who: str = ""


@dataclass(frozen=True, slots=True)
class Handover:
    """What the next shift must know.

    Attributes:
        since, now, until: instants (s): the shift that ends, and the one that begins.
        open_items: what wants somebody's attention, gravest first.
        coming: windows, expiries, stop-bys and keep-clears of the next shift, in order of time.
        known: what is known of each sequence, and how well.
        changed: what was learned in the shift that ends.
        decided: what was decided or done in it, and by whom.
        notice: the caution to show where a step is hazardous, or "".
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

    def as_json(self) -> dict[str, Any]:
        """The handover as JSON values."""

        def forms(items: Iterable[Item]) -> list[dict[str, Any]]:
            return [
                {
                    "at": machine(item.at, NEAREST),
                    "until": machine(item.until, NEAREST),
                    "about": item.about,
                    "what": item.what,
                    "who": item.who,
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
        }


def gather(
    records: Sequence[Record],
    waiting: Sequence[Alert],
    told: Mapping[str, str],
    outlooks: Sequence[TargetOutlook],
    since: float,
    now: float,
    until: float,
) -> Handover:
    """The handover at ``now``.

    Args:
        records: the ledger's, in order; those of the shift that ends are picked out.
        waiting: alerts that nobody has acknowledged, gravest first.
        told: what each alert said, by its identity.
        outlooks: of every target, reaching to ``until`` at least.
        since, now, until: instants (s).
    """
    shift = [record for record in records if since - SHOWN_WITHIN_S <= record.at <= now]
    forecasts = [forecast for outlook in outlooks for forecast in outlook.forecasts]
    coming = [item for outlook in outlooks for item in _coming(outlook, now, until)]
    hazardous = any(step.hazard for forecast in forecasts for step in forecast.steps)
    return Handover(
        since=since,
        now=now,
        until=until,
        open_items=(*_waiting(waiting), *_unsettled(outlooks, now)),
        coming=tuple(sorted(coming, key=lambda item: item.at)),
        known=tuple(item for forecast in forecasts for item in _known(forecast, now)),
        changed=tuple(_changed(shift)),
        decided=tuple(_decided(shift, told)),
        notice=NOTICE if hazardous else "",
    )


def _waiting(alerts: Sequence[Alert]) -> Iterator[Item]:
    for alert in alerts:
        text = f"{alert.severity}, not acknowledged: {alert.what} {alert.do}".strip()
        yield Item(alert.moment, text, alert.subject)


def _unsettled(outlooks: Sequence[TargetOutlook], now: float) -> Iterator[Item]:
    for outlook in outlooks:
        elements = outlook.elements
        if elements is not None and elements.is_stale(now):
            yield Item(elements.epoch, "the elements are stale: get newer ones", outlook.target)
        if outlook.problem is not None:
            yield Item(now, f"not predicted in full: {outlook.problem}", outlook.target)
        for forecast in outlook.forecasts:
            about = f"{forecast.target}/{forecast.sequence}"
            start = forecast.start
            if start.status is StartStatus.IN_DOUBT and start.earliest is not None:
                text = "in doubt: it may have been started, and counts as running"
                yield Item(start.earliest, text, about, start.latest)
            for conflict in forecast.conflicts:
                yield Item(now, f"records contradict each other: {conflict}", about)


def _coming(outlook: TargetOutlook, now: float, until: float) -> Iterator[Item]:
    commands = outlook.services.get("command", {})
    for station, coverage in commands.items():
        for start, end in coverage.nominal.clip(now, until):
            text = f"command window at {station}"
            yield Item(start, text if start > now else f"{text}, open now", outlook.target, end)
    if not commands:
        views = union(
            coverage.nominal for by in outlook.services.values() for coverage in by.values()
        )
        for start, end in views.clip(now, until):
            yield Item(start, "in view of a station", outlook.target, end)
    for forecast in outlook.forecasts:
        for step in forecast.steps:
            yield from _coming_of(step, now, until)


def _coming_of(step: StepForecast, now: float, until: float) -> Iterator[Item]:
    about = f"{step.target}/{step.sequence}/{step.step}"
    if step.status in GONE or step.earliest is None or step.latest is None:
        return
    if step.latest > now and step.earliest < until:
        hazard = f", hazard: {step.hazard}" if step.hazard else ""
        verdict = f", {step.coverage}" if step.coverage is not None else ""
        alarm = " OUT OF VIEW" if step.coverage is Covered.UNCOVERED else ""
        yield Item(step.earliest, f"runs out{verdict}{hazard}{alarm}", about, step.latest)
    if step.stop_by is not None and now < step.stop_by < until:
        station = f" from {step.stop_station}" if step.stop_station else ""
        yield Item(step.stop_by, f"last moment to send a stop{station}", about)
    clear = step.keep_clear
    if clear is not None and clear[1] > now and clear[0] < until:
        yield Item(clear[0], "nobody may be near", about, clear[1])


def _known(forecast: SequenceForecast, now: float) -> Iterator[Item]:
    start, about = forecast.start, f"{forecast.target}/{forecast.sequence}"
    if start.earliest is None:
        yield Item(now, f"start {start.status}", about)
    else:
        where = f"record {start.record}" if start.record else "the configuration"
        yield Item(start.earliest, f"start {start.status}, from {where}", about, start.latest)
    for step in forecast.steps:
        if step.earliest is None:
            yield Item(now, f"{step.status}", f"{about}/{step.step}")
        else:
            covered = f", {step.coverage}" if step.coverage is not None else ""
            yield Item(
                step.earliest, f"{step.status}{covered}", f"{about}/{step.step}", step.latest
            )


def _changed(shift: Sequence[Record]) -> Iterator[Item]:
    for record in shift:
        if record.kind in ROUTINE or record.kind in DECIDES:
            continue
        yield Item(record.at, _in_words(record), record.subject, who=record.author)


def _decided(shift: Sequence[Record], told: Mapping[str, str]) -> Iterator[Item]:
    for record in shift:
        if record.kind not in DECIDES:
            continue
        text = _in_words(record)
        said = told.get(str(record.body.get("identity", "")))
        if record.kind == kinds.ALERT_ACKNOWLEDGED and said:
            text = f"acknowledged: {said}"
        yield Item(record.at, text, record.subject, who=record.author)


def _in_words(record: Record) -> str:
    """The kind in words, with what its body says in short."""
    body = record.body
    said = [str(body[key]) for key in ("why", "text", "command", "what", "reason") if body.get(key)]
    problems = body.get("problems")
    if isinstance(problems, list) and problems:
        said.append(str(problems[0]))
    return ": ".join([record.kind.replace("-", " "), *said[:2]])
