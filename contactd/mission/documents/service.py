"""Documents of what the service knows as a whole: alerts, records, targets, its own state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from contactd.core.alert import Alert
from contactd.core.contacts.table import first_from
from contactd.core.ground.station import Station
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import ElementsInUse, Snapshot, TargetOutlook
from contactd.core.record import Record
from contactd.mission.changes import Change
from contactd.mission.documents.contacts import outlook_contact_form, window_form, windows
from contactd.mission.documents.orbit_error import orbit_error_form
from contactd.mission.documents.spans import Form, inner_form, outer_form, outer_forms
from contactd.mission.documents.steps import sequence_form, step_form
from contactd.mission.texts.orbit_error import orbit_error_text
from contactd.mission.timetext import NEAREST, NO_EARLIER, NO_LATER, machine

MOST_WINDOWS_AHEAD = 12
MOST_WINDOWS_OF_MANY = 3
"""At most this many windows of each target where there are more than ``MANY_TARGETS``."""
MANY_TARGETS = 100


def alert_form(alert: Alert) -> Form:
    """An alert that waits."""
    return {
        "identity": alert.identity,
        "kind": alert.kind,
        "severity": alert.severity.value,
        "target": alert.target,
        "subject": alert.subject,
        "what": alert.what,
        "do": alert.do,
        "due": machine(alert.due, NO_LATER),
        "moment": machine(alert.moment, NO_LATER),
        "over_at": machine(alert.over_at, NO_EARLIER),
        "decide_by": None if alert.decide_by is None else machine(alert.decide_by, NO_LATER),
        "changed": alert.changed,
        "late": alert.late,
        "facts": dict(alert.facts),
    }


def alert_forms(alerts: Iterable[Alert]) -> list[Form]:
    """Alerts, in the order in which they are given: that of the snapshot."""
    return [alert_form(alert) for alert in alerts]


def record_form(record: Record) -> Form:
    """One record of the ledger; ``number`` is None while it is not stored."""
    return {
        "number": record.number or None,
        "at": machine(record.at, NEAREST),
        "kind": record.kind,
        "subject": record.subject,
        "author": record.author,
        "identity": record.identity,
        "body": dict(record.body),
    }


def elements_form(elements: ElementsInUse | None, at: float) -> Form | None:
    """The elements that predictions rest on."""
    if elements is None:
        return None
    return {
        "epoch": machine(elements.epoch, NEAREST),
        "source": elements.source,
        "stale_after_s": elements.stale_after_s,
        "stale": elements.is_stale(at),
        "timing_error_s": round(elements.timing_error_s, 3),
        "orbit_error": orbit_error_form(elements.error, at - elements.epoch),
        "orbit_error_text": orbit_error_text(elements.error, elements.timing_error_s),
    }


def forecast_forms(outlook: TargetOutlook, at: float) -> list[Form]:
    """Each step's forecast, with how well the orbit is known that it rests on.

    Args:
        at: instant (s) of the orbit error's age.
    """
    known = outlook.elements
    error = None if known is None else orbit_error_form(known.error, at - known.epoch)
    return [
        {**step_form(step), "orbit_error": error}
        for sequence in outlook.forecasts
        for step in sequence.steps
    ]


def target_form(
    outlook: TargetOutlook,
    people_near: Mapping[str, IntervalSet],
    at: float,
    stations: Mapping[str, Station],
    most_windows: int = MOST_WINDOWS_AHEAD,
) -> Form:
    """All that the first screen says of a target.

    Args:
        people_near: by sequence.
        at: the instant (s) from which on windows and contacts are of interest.
        stations: as configured, for their outages.
    """
    ahead = windows(outlook, from_s=at, most=most_windows)
    contact = first_from(outlook.contacts, at)
    return {
        "name": outlook.target,
        "problem": outlook.problem,
        "span": inner_form(outlook.span),
        "elements": elements_form(outlook.elements, at),
        "contacts": len(outlook.contacts),
        "next_contact": None
        if contact is None
        else outlook_contact_form(outlook, contact, stations.get(contact.station)),
        "windows": [window_form(outlook, each) for each in ahead],
        "gaps": outer_forms(outlook.gaps),
        "maybe_in_view": [
            {"station": station, **outer_form(each)}
            for station, spans in sorted(outlook.open_contacts.items())
            for each in spans
            if each[1] > at
        ],
        "sequences": [
            sequence_form(each, people_near.get(each.sequence, IntervalSet()))
            for each in outlook.forecasts
        ],
    }


def target_forms(
    snapshot: Snapshot, near: Callable[[TargetOutlook], Mapping[str, IntervalSet]], at: float
) -> list[Form]:
    """Every target's :func:`target_form`; ``near`` says when people are near, by sequence."""
    outlooks = snapshot.targets.values()
    most = MOST_WINDOWS_OF_MANY if len(outlooks) > MANY_TARGETS else MOST_WINDOWS_AHEAD
    return [
        target_form(outlook, near(outlook), at, snapshot.stations, most) for outlook in outlooks
    ]


def service_form(snapshot: Snapshot) -> Form:
    """Whether the picture can be trusted: clock, configuration, ledger, planning."""
    configuration = snapshot.configuration
    return {
        "planned_at": machine(snapshot.planned_at, NEAREST),
        "ledger_at": snapshot.ledger_at,
        "ledger_trouble": snapshot.ledger_trouble,
        "clock": {
            "trusted": snapshot.clock.trusted,
            "why": snapshot.clock.why,
            "offset_s": snapshot.clock.offset_s,
        },
        "configuration": {
            "digest": configuration.digest,
            "adopted_at": machine(configuration.adopted_at or None, NEAREST),
            "problems": list(configuration.problems),
        },
    }


def change_form(change: Change) -> Form:
    """What a record changes, in words and figures."""
    return {
        "sentences": list(change.sentences),
        "notes": list(change.notes),
        "before": [step_form(step) for step in change.before],
        "after": [step_form(step) for step in change.after],
    }
