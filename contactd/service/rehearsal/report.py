"""What came of a rehearsal: the timeline, and which expectations held."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from contactd.alerts.quality import Quality, alarms_of, quality
from contactd.config.rehearsal import AlarmBudget, Expectation, Script
from contactd.core import record as kinds
from contactd.core.instants import to_text
from contactd.core.record import Record

Timed = tuple[float, Record]
"""How many seconds after the beginning a record was made, and the record."""


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
        judgements: one for each expectation, in the script's order; then the budget of alarms.
        alarms: how many there were, for everyone and for each role.
    """

    title: str
    begins: float
    lasted_s: float
    timeline: tuple[Moment, ...]
    judgements: tuple[Judgement, ...]
    alarms: tuple[Quality, ...] = ()

    @property
    def all_held(self) -> bool:
        """Whether every expectation held, the budget of alarms among them."""
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
            "alarms": [each.as_json() for each in self.alarms],
        }


def report_on(
    script: Script,
    happened: Sequence[Moment],
    records: Sequence[Record],
    made_s: Mapping[int, float],
    lasted_s: float,
) -> Report:
    """The report.

    Args:
        happened: what the script let happen, in order.
        records: the rehearsal's ledger.
        made_s: by number, how many seconds after the beginning each record was made: the rehearsed
            clock may have been set meanwhile.
        lasted_s: how long it went on, in the script's time.
    """
    timed = [(made_s.get(each.number, each.at - script.begins), each) for each in records]
    # A cause before its effects, which come in the ledger's order.
    lines = sorted([*happened, *_told(timed)], key=lambda each: each.after_s)
    figures = quality(
        alarms_of(replace(each, at=after_s) for after_s, each in timed), 0.0, lasted_s
    )
    judgements = [_judge(each, timed) for each in script.expectations]
    if script.alarms is not None:
        judgements += _budgeted(script.alarms, figures, lasted_s)
    shown = tuple(
        replace(each, begins=script.begins, ends=script.begins + lasted_s) for each in figures
    )
    return Report(script.title, script.begins, lasted_s, tuple(lines), tuple(judgements), shown)


def _told(timed: Sequence[Timed]) -> Iterator[Moment]:
    what = {
        record.body["identity"]: record.body["what"]
        for _, record in timed
        if record.kind == kinds.ALERT_RAISED
    }
    for after_s, record in timed:
        body = record.body
        if record.kind == kinds.ALERT_RAISED:
            late = " (late)" if body["late"] else ""
            yield Moment(after_s, f"{body['severity']}{late}: {body['what']}")
        elif record.kind == kinds.ALERT_CHANGED and body["told"]:
            how = f"{body['changed']} " if body["changed"] else ""
            yield Moment(after_s, f"{body['news']}, {body['severity']}: {how}{body['what']}")
        elif record.kind == kinds.ALERT_RESOLVED and "what" in body:
            yield Moment(after_s, body["what"])
        elif record.kind == kinds.ALERT_ACKNOWLEDGED:
            told = what.get(body["identity"], body["identity"])
            yield Moment(after_s, f"acknowledged by {record.author}: {told}")
        elif record.kind == kinds.ALERT_MISSED:
            yield Moment(after_s, f"missed: {body['what']}")
        elif record.kind == kinds.ALERT_FAILED:
            yield Moment(after_s, f"not delivered to {body['channel']}: {body.get('reason', '')}")
        elif record.author != "contactd":
            yield Moment(after_s, f"entered by {record.author}: {record.kind}, {record.subject}")


def _budgeted(
    budget: AlarmBudget, figures: Sequence[Quality], lasted_s: float
) -> Iterator[Judgement]:
    """Whether each role had no more alarms than it can act on."""
    for each in figures[1:]:
        text = (
            f"{each.role}: {each.mean_per_10min:.2f} alarms in 10 min on average (at most "
            f"{budget.mean_per_10min:g}), {each.peak_per_10min} at the most (at most "
            f"{budget.peak_per_10min:g})"
        )
        held = (
            each.mean_per_10min <= budget.mean_per_10min
            and each.peak_per_10min <= budget.peak_per_10min
        )
        yield Judgement(text, lasted_s, held, lasted_s)


def _judge(expectation: Expectation, timed: Sequence[Timed]) -> Judgement:
    met_s = next(_meeting(expectation, timed), None)
    in_time = met_s is not None and met_s <= expectation.by_s
    held = not in_time if expectation.never is not None else in_time
    return Judgement(_words(expectation), expectation.by_s, held, met_s)


def _meeting(expectation: Expectation, timed: Sequence[Timed]) -> Iterator[float]:
    """When the records were made that meet an expectation, in order."""
    raised = {
        record.body["identity"]: record for _, record in timed if record.kind == kinds.ALERT_RAISED
    }
    alert = expectation.alert or expectation.never
    for after_s, record in timed:
        if expectation.subject and expectation.subject not in _subjects(record):
            continue
        if alert is not None and record.kind in (kinds.ALERT_RAISED, kinds.ALERT_CHANGED):
            if record.body["kind"] == alert and record.body.get("told", True):
                yield after_s
        elif expectation.acknowledged is not None and record.kind == kinds.ALERT_ACKNOWLEDGED:
            known = raised.get(record.body["identity"])
            if known is not None and known.body["kind"] == expectation.acknowledged:
                yield after_s
        elif expectation.recorded is not None and record.kind == expectation.recorded:
            yield after_s


def _subjects(record: Record) -> set[str]:
    """What a record is about; of an alert about steps of a chain, each of them."""
    facts = record.body.get("facts")
    parts = facts.get("parts", ()) if isinstance(facts, Mapping) else ()
    chain = record.subject.rpartition("/")[0]
    return {record.subject, *(f"{chain}/{part}" for part in parts)}


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
