"""Gathers a review; pure, so that every face says the same.

*Planned* is what was known at the beginning of the time under review, *actual* what was known at
its end: the residual is how far the prediction moved once newer elements were known. *Observed* is
what stations recorded of AOS and LOS, against the actual prediction.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from contactd.alerts.fold import AlertState
from contactd.alerts.quality import Quality
from contactd.alerts.tracked import Outcome, TrackedAlert
from contactd.core.contacts.comparison import compare
from contactd.core.contacts.contact import Contact
from contactd.core.instants import from_text
from contactd.core.outlook import TargetOutlook
from contactd.core.record import AOS_OBSERVED, LOS_OBSERVED, Record
from contactd.core.sequences.known import Reading, SequenceKnowledge
from contactd.core.sequences.model import StepForecast
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, machine

OBSERVED_WITHIN_S = 1_200.0
"""What was observed so long before or after a contact belongs to it."""


@dataclass(frozen=True, slots=True)
class ContactReview:
    """One contact.

    Attributes:
        planned_aos, actual_aos: instants (s); None where it was not planned, or is not there now.
        residual_s: actual less planned AOS; None where one is unknown or cut.
        missed: why it was recorded as missed, or None.
        observed_aos, observed_los: instants (s), where they were recorded.
        aos_late_s, los_late_s: observed less actual, where both are known and the contact is not
            cut there.
    """

    target: str
    station: str
    planned_aos: float | None
    actual_aos: float | None
    residual_s: float | None
    missed: str | None = None
    observed_aos: float | None = None
    observed_los: float | None = None
    aos_late_s: float | None = None
    los_late_s: float | None = None


@dataclass(frozen=True, slots=True)
class StepReview:
    """One step.

    Attributes:
        planned: (earliest, nominal, latest) as known at the beginning; None where unknown.
        expiry: the same as known at the end.
        seen: (earliest or None, latest) of its being seen; None if it was not.
        residual_s: the middle of the sighting (its end, if only that is known) less the planned
            nominal.
        within: whether the sighting can lie within the planned bounds; None if it was not seen.
        status: what it is now.
    """

    step: str
    planned: tuple[float, float, float] | None
    expiry: tuple[float, float, float] | None
    seen: tuple[float | None, float] | None
    residual_s: float | None
    within: bool | None
    status: str


@dataclass(frozen=True, slots=True)
class ReadingReview:
    """One reading: what was read, and how far that was from what had been planned (s)."""

    about: str
    at: float
    read: str
    residual_s: float | None


@dataclass(frozen=True, slots=True)
class AlertReview:
    """One alert: when it fell due, was raised, first delivered, acknowledged (instants, s)."""

    what: str
    severity: str
    due: float
    raised: float
    delivered: float | None
    acknowledged: float | None
    late: bool


@dataclass(frozen=True, slots=True)
class TargetReview:
    """What is reviewed of one target: its outlook as planned and as known at the end."""

    planned: TargetOutlook
    actual: TargetOutlook
    knowledge: Mapping[str, SequenceKnowledge]
    half_period_s: float


@dataclass(frozen=True, slots=True)
class Review:
    """All of it, for the time from ``begins`` to ``ends`` (instants, s)."""

    begins: float
    ends: float
    contacts: tuple[ContactReview, ...] = ()
    steps: tuple[StepReview, ...] = ()
    readings: tuple[ReadingReview, ...] = ()
    alerts: tuple[AlertReview, ...] = ()
    alarms: tuple[Quality, ...] = ()

    def flat(self) -> tuple[list[str], list[dict[str, Any]]]:
        """The columns of one table of everything, and its rows: each says what it is about."""
        forms = self.as_json()
        sections = ("contacts", "steps", "readings", "alerts", "alarms")
        rows = [{"section": name, **form} for name in sections for form in forms[name]]
        columns = list(dict.fromkeys(["section", *(key for row in rows for key in row)]))
        return columns, [{column: row.get(column) for column in columns} for row in rows]

    def as_json(self) -> dict[str, Any]:
        """The review as JSON values."""

        def times(bounds: Sequence[float | None] | None) -> list[str | None] | None:
            """Earliest, nominal where there is one, and latest, on the safe side."""
            if bounds is None:
                return None
            middle = [machine(each, NEAREST) for each in bounds[1:-1]]
            return [machine(bounds[0], NO_LATER), *middle, machine(bounds[-1], NO_EARLIER)]

        return {
            "from": machine(self.begins, NEAREST),
            "to": machine(self.ends, NEAREST),
            "contacts": [
                {
                    "target": each.target,
                    "station": each.station,
                    "planned_aos": machine(each.planned_aos, NO_LATER),
                    "actual_aos": machine(each.actual_aos, NO_LATER),
                    "residual_s": each.residual_s,
                    "missed": each.missed,
                    "observed_aos": machine(each.observed_aos, NEAREST),
                    "observed_los": machine(each.observed_los, NEAREST),
                    "aos_late_s": _rounded(each.aos_late_s),
                    "los_late_s": _rounded(each.los_late_s),
                }
                for each in self.contacts
            ],
            "steps": [
                {
                    "step": each.step,
                    "planned": times(each.planned),
                    "expiry": times(each.expiry),
                    "seen": times(each.seen),
                    "residual_s": each.residual_s,
                    "within": each.within,
                    "status": each.status,
                }
                for each in self.steps
            ],
            "readings": [
                {
                    "about": each.about,
                    "at": machine(each.at, NEAREST),
                    "read": each.read,
                    "residual_s": each.residual_s,
                }
                for each in self.readings
            ],
            "alerts": [
                {
                    "what": each.what,
                    "severity": each.severity,
                    "due": machine(each.due, NEAREST),
                    "raised": machine(each.raised, NEAREST),
                    "delivered": machine(each.delivered, NEAREST),
                    "acknowledged": machine(each.acknowledged, NEAREST),
                    "late": each.late,
                }
                for each in self.alerts
            ],
            "alarms": [each.as_json() for each in self.alarms],
        }


def gather(
    targets: Iterable[TargetReview],
    missed: Mapping[str, Sequence[Record]],
    alerts: AlertState,
    begins: float,
    ends: float,
    alarms: tuple[Quality, ...] = (),
    observed: Mapping[str, Sequence[Record]] = MappingProxyType({}),
) -> Review:
    """The review.

    Args:
        missed: records of missed contacts, by target.
        observed: records of observed AOS and LOS, by target.
        alerts: the fold of what was recorded until the end.
        begins, ends: instants (s).
        alarms: figures of alarms, day by day.
    """
    given = list(targets)
    contacts: list[ContactReview] = []
    for each in given:
        name = each.actual.target
        seen = observed.get(name, ())
        contacts += _contacts(each, missed.get(name, ()), seen, begins, ends)
    contacts.sort(key=lambda each: each.actual_aos or each.planned_aos or 0.0)
    told = [each for each in alerts.tracked.values() if begins <= each.raised_at <= ends]
    return Review(
        begins=begins,
        ends=ends,
        contacts=tuple(contacts),
        steps=tuple(step for each in given for step in _steps(each)),
        readings=tuple(
            reading for each in given for reading in _readings(each) if begins <= reading.at <= ends
        ),
        alerts=tuple(_alert(each) for each in sorted(told, key=lambda one: one.raised_at)),
        alarms=alarms,
    )


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)


def _contacts(
    each: TargetReview,
    missed: Sequence[Record],
    observed: Sequence[Record],
    begins: float,
    ends: float,
) -> Iterator[ContactReview]:
    target = each.actual.target

    def inside(contacts: Iterable[Contact]) -> list[Contact]:
        return [one for one in contacts if one.los > begins and one.aos < ends]

    planned, actual = inside(each.planned.contacts), inside(each.actual.contacts)
    found = compare(planned, actual, each.half_period_s, begins)
    for pair in found.pairs:
        why = _missed(pair.after, missed)
        made = ContactReview(
            target, pair.after.station, pair.before.aos, pair.after.aos, pair.aos_s, why
        )
        yield _with_observed(made, pair.after, observed)
    for contact in found.vanished:
        yield ContactReview(target, contact.station, contact.aos, None, None)
    for contact in found.appeared:
        why = _missed(contact, missed)
        made = ContactReview(target, contact.station, None, contact.aos, None, why)
        yield _with_observed(made, contact, observed)


def _with_observed(
    made: ContactReview, contact: Contact, observed: Sequence[Record]
) -> ContactReview:
    """The review of a contact with the AOS and LOS that were observed in it."""
    middle = (contact.aos + contact.los) / 2

    def nearest(kind: str) -> float | None:
        moments = [
            from_text(str(each.body["at"]))
            for each in observed
            if each.kind == kind and each.body.get("station") == contact.station
        ]
        reach = (contact.los - contact.aos) / 2 + OBSERVED_WITHIN_S
        inside = [at for at in moments if abs(at - middle) <= reach]
        return max(inside, default=None) if kind == LOS_OBSERVED else min(inside, default=None)

    aos, los = nearest(AOS_OBSERVED), nearest(LOS_OBSERVED)
    return replace(
        made,
        observed_aos=aos,
        observed_los=los,
        aos_late_s=None if aos is None or contact.cut_at_start else aos - contact.aos,
        los_late_s=None if los is None or contact.cut_at_end else los - contact.los,
    )


def _missed(contact: Contact, missed: Sequence[Record]) -> str | None:
    for record in missed:
        at = from_text(str(record.body["at"]))
        if record.body.get("station") == contact.station and contact.aos <= at <= contact.los:
            return str(record.body.get("why", "")) or "no reason given"
    return None


def _bounds(step: StepForecast | None) -> tuple[float, float, float] | None:
    if step is None or step.earliest is None or step.nominal is None or step.latest is None:
        return None
    return step.earliest, step.nominal, step.latest


def _by_name(outlook: TargetOutlook) -> dict[tuple[str, str], StepForecast]:
    return {
        (forecast.sequence, step.step): step
        for forecast in outlook.forecasts
        for step in forecast.steps
    }


def _steps(each: TargetReview) -> Iterator[StepReview]:
    planned = _by_name(each.planned)
    for (sequence, name), step in _by_name(each.actual).items():
        before = _bounds(planned.get((sequence, name)))
        known = each.knowledge.get(sequence)
        sighting = known.seen.get(name) if known is not None else None
        seen = None if sighting is None else (sighting.earliest, sighting.latest)
        residual_s = within = None
        if seen is not None and before is not None:
            first = seen[1] if seen[0] is None else seen[0]
            residual_s = (first + seen[1]) / 2 - before[1]
            # With no earliest sighting it may have acted at any time before it was seen.
            within = seen[1] >= before[0] and (seen[0] is None or seen[0] <= before[2])
        yield StepReview(
            step=f"{step.target}/{sequence}/{name}",
            planned=before,
            expiry=_bounds(step),
            seen=seen,
            residual_s=residual_s,
            within=within,
            status=str(step.status),
        )


def _readings(each: TargetReview) -> Iterator[ReadingReview]:
    planned = _by_name(each.planned)
    for forecast in each.actual.forecasts:
        known = each.knowledge.get(forecast.sequence, SequenceKnowledge())
        for reading in known.readings:
            about = "/".join(
                part for part in (forecast.target, forecast.sequence, reading.step) if part
            )
            step = planned.get((forecast.sequence, reading.step or ""))
            yield ReadingReview(about, reading.at, _read(reading), _residual_s(reading, step))


def _read(reading: Reading) -> str:
    if reading.remaining_s is not None:
        return f"{reading.remaining_s:g} s remaining ± {reading.error_s:g} s"
    return f"{reading.elapsed_s or 0.0:g} s elapsed ± {reading.error_s:g} s"


def _residual_s(reading: Reading, step: StepForecast | None) -> float | None:
    """The expiry that the reading says by itself, less the planned nominal one."""
    if reading.remaining_s is None or step is None or step.nominal is None:
        return None
    return reading.at + reading.remaining_s - step.nominal


def _alert(told: TrackedAlert) -> AlertReview:
    delivered = [fate.at for fate in told.fates.values() if fate.outcome is Outcome.DELIVERED]
    return AlertReview(
        what=told.alert.what,
        severity=str(told.alert.severity),
        due=told.alert.due,
        raised=told.raised_at,
        delivered=min(delivered, default=None),
        acknowledged=told.acknowledged_at,
        late=told.alert.late,
    )
