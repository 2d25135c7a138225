"""What is wrong with the service itself."""

from __future__ import annotations

import math
from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.scope import Scope
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.outlook import Snapshot
from contactd.mission.texts import service as texts
from contactd.mission.texts.text import Text
from contactd.mission.timetext import NEAREST, machine

MOST_PROBLEMS_SHOWN = 20


def service_condition(
    kind: str,
    severity: Severity,
    since: float,
    text: Text,
    *,
    target: str = "",
    subject: str = "",
    detail: str = "",
    rests_on: str = "",
    over_at: float = math.inf,
    decide_by: float | None = None,
    facts: dict[str, object] | None = None,
) -> Candidate:
    """A condition of the service (or of a target as a whole) that holds since an instant (s).

    Args:
        subject: what it is about, where that is less than the target.
        detail: what sets it apart from another condition of the same kind and target.
    """
    return Candidate(
        kind=kind,
        sort=Sort.CONDITION,
        severity=severity,
        target=target,
        subject=subject or target or "contactd",
        series="|".join((kind, target, detail)),
        text=text,
        due=since,
        moment=since,
        over_at=over_at,
        decide_by=decide_by,
        rests_on=rests_on,
        facts=facts or {},
    )


def _definitions(snapshot: Snapshot) -> Iterator[Candidate]:
    """Files that contradict what runs aboard, and what is not watched at all."""
    for each in snapshot.contradictions:
        yield service_condition(
            kinds.DEFINITION_DIFFERS,
            Severity.WARNING if each.hazardous else Severity.CAUTION,
            snapshot.at,
            texts.definition_differs(each.subject, each.text, each.remedy),
            target=each.target,
            subject=each.subject,
            detail=f"{each.sequence}|{each.key}|{each.filed}",
            facts={
                "key": each.key,
                "aboard": each.aboard,
                "file": each.filed,
                "place": each.place,
            },
        )
    for one in snapshot.unwatched:
        yield service_condition(
            kinds.NOT_WATCHED,
            Severity.WARNING,
            snapshot.at,
            texts.not_watched(one.name, one.why),
            detail=one.name,
            facts={"name": one.name, "why": one.why},
        )


def service_candidates(scope: Scope, snapshot: Snapshot) -> Iterator[Candidate]:
    """The configuration on disk, the clock, the ledger, the planning loop."""
    problems = snapshot.configuration.problems
    if problems:
        yield service_condition(
            kinds.CONFIGURATION_REFUSED,
            Severity.CAUTION,
            snapshot.at,
            texts.configuration_invalid(len(problems), problems[0]),
            facts={
                "problems": list(problems[:MOST_PROBLEMS_SHOWN]),
                "parts": list(problems[:MOST_PROBLEMS_SHOWN]),
                "count": len(problems),
            },
        )
    yield from _definitions(snapshot)
    clock = snapshot.clock
    if not clock.trusted:
        yield service_condition(
            kinds.CLOCK_NOT_TRUSTED,
            Severity.CAUTION,
            snapshot.at,
            texts.clock_not_trusted(clock.why),
            facts={"why": clock.why, "offset_s": clock.offset_s},
        )
    if snapshot.ledger_trouble:
        yield service_condition(
            kinds.LEDGER_TROUBLE,
            Severity.WARNING,
            snapshot.at,
            texts.ledger_trouble(snapshot.ledger_trouble),
            facts={"trouble": snapshot.ledger_trouble},
        )
    if snapshot.ledger_damage:
        yield service_condition(
            kinds.LEDGER_TROUBLE,
            Severity.WARNING,
            snapshot.at,
            texts.ledger_damaged(snapshot.ledger_damage),
            detail="damage",
            facts={"damage": snapshot.ledger_damage},
        )
    if snapshot.station_time_trouble:
        yield service_condition(
            kinds.STATION_TIME_TROUBLE,
            Severity.CAUTION,
            snapshot.at,
            texts.station_time_trouble(snapshot.station_time_trouble),
            facts={"trouble": snapshot.station_time_trouble},
        )
    given = snapshot.handover
    if given is not None and given.unconfirmed:
        yield service_condition(
            kinds.HANDOVER_UNCONFIRMED,
            Severity.WARNING,
            given.due,
            texts.handover_unconfirmed(
                given.author, given.at, given.to, len(given.unconfirmed), len(given.items)
            ),
            detail=str(given.number),
            facts={"handover": given.number, "unconfirmed": list(given.unconfirmed)},
        )
    if snapshot.planned_at is not None:
        looked_from = max(snapshot.planned_at, snapshot.looking_since or snapshot.planned_at)
        overdue_from = looked_from + scope.policy.planning_overdue_s
        yield service_condition(
            kinds.PLANNING_OVERDUE,
            Severity.WARNING,
            overdue_from,
            texts.planning_overdue(snapshot.planned_at),
            facts={"planned_at": machine(snapshot.planned_at, NEAREST)},
        )
