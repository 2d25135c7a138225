"""What came of a rehearsal: the timeline, and which expectations held."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from contactd.config.rehearsal import Expectation, Script
from contactd.core import record as kinds
from contactd.core.instants import to_text
from contactd.core.record import Record


@dataclass(frozen=True, slots=True)
class Moment:
    """A line of the timeline: so many seconds after the beginning, and what was."""

    after_s: float
    what: str


@dataclass(frozen=True, slots=True)
class Judgement:
    """An expectation, whether it held, and when it was met (seconds after the beginning)."""

    expectation: str
    by_s: float
    held: bool
    met_s: float | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """What came of a rehearsal.

    Attributes:
        timeline: events, alerts, acknowledgements and entries in order.
        judgements: one for each expectation, in the script's order.
    """

    title: str
    begins: float
    lasted_s: float
    timeline: tuple[Moment, ...]
    judgements: tuple[Judgement, ...]

    @property
    def all_held(self) -> bool:
        """Whether every expectation held."""
        return all(each.held for each in self.judgements)

    def as_json(self) -> dict[str, Any]:
        """The report as JSON values."""
        return {
            "title": self.title,
            "begins": to_text(self.begins),
            "lasted_s": self.lasted_s,
            "all_held": self.all_held,
            "timeline": [{"after_s": each.after_s, "what": each.what} for each in self.timeline],
            "expectations": [
                {
                    "expectation": each.expectation,
                    "by_s": each.by_s,
                    "held": each.held,
                    "met_s": each.met_s,
                }
                for each in self.judgements
            ],
        }


def report_on(
    script: Script, happened: Sequence[Moment], records: Sequence[Record], lasted_s: float
) -> Report:
    """The report.

    Args:
        happened: what the script let happen, in order.
        records: the rehearsal's ledger.
        lasted_s: how long it went on, in the script's time.
    """
    lines = [*happened, *_told(script.begins, records)]
    lines.sort(key=lambda each: each.after_s)
    judgements = tuple(_judge(each, script.begins, records) for each in script.expectations)
    return Report(script.title, script.begins, lasted_s, tuple(lines), judgements)


def _told(begins: float, records: Sequence[Record]) -> Iterator[Moment]:
    what = {
        record.body["identity"]: record.body["what"]
        for record in records
        if record.kind == kinds.ALERT_RAISED
    }
    for record in records:
        after_s, body = record.at - begins, record.body
        if record.kind == kinds.ALERT_RAISED:
            late = " (late)" if body["late"] else ""
            yield Moment(after_s, f"{body['severity']}{late}: {body['what']}")
        elif record.kind == kinds.ALERT_ACKNOWLEDGED:
            told = what.get(body["identity"], body["identity"])
            yield Moment(after_s, f"acknowledged by {record.author}: {told}")
        elif record.kind == kinds.ALERT_MISSED:
            yield Moment(after_s, f"missed: {body['what']}")
        elif record.kind == kinds.ALERT_FAILED:
            yield Moment(after_s, f"not delivered to {body['channel']}: {body.get('reason', '')}")
        elif record.author != "contactd":
            yield Moment(after_s, f"entered by {record.author}: {record.kind}, {record.subject}")


def _judge(expectation: Expectation, begins: float, records: Sequence[Record]) -> Judgement:
    met = next(_meeting(expectation, records), None)
    met_s = None if met is None else met.at - begins
    in_time = met_s is not None and met_s <= expectation.by_s
    held = not in_time if expectation.never is not None else in_time
    return Judgement(_words(expectation), expectation.by_s, held, met_s)


def _meeting(expectation: Expectation, records: Sequence[Record]) -> Iterator[Record]:
    """The records that meet an expectation, in order."""
    raised = {
        record.body["identity"]: record for record in records if record.kind == kinds.ALERT_RAISED
    }
    alert = expectation.alert or expectation.never
    for record in records:
        if expectation.subject and record.subject != expectation.subject:
            continue
        if alert is not None and record.kind == kinds.ALERT_RAISED:
            if record.body["kind"] == alert:
                yield record
        elif expectation.acknowledged is not None and record.kind == kinds.ALERT_ACKNOWLEDGED:
            known = raised.get(record.body["identity"])
            if known is not None and known.body["kind"] == expectation.acknowledged:
                yield record
        elif expectation.recorded is not None and record.kind == expectation.recorded:
            yield record


def _words(expectation: Expectation) -> str:
    if expectation.never is not None:
        text = f"no {expectation.never} is raised"
    elif expectation.alert is not None:
        text = f"{expectation.alert} is raised"
    elif expectation.acknowledged is not None:
        text = f"{expectation.acknowledged} is acknowledged"
    else:
        text = f"{expectation.recorded} is recorded"
    return f"{text} for {expectation.subject}" if expectation.subject else text
