"""What is wrong with the service itself."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator

from contactd.alerts.candidate import Candidate, Sort
from contactd.alerts.rules.scope import Scope
from contactd.alerts.words import exact, moment
from contactd.core import alert as kinds
from contactd.core.alert import Severity
from contactd.core.outlook import Snapshot

MOST_PROBLEMS_SHOWN = 20


def service_condition(
    kind: str,
    severity: Severity,
    since: float,
    what: str,
    do: str,
    *,
    target: str = "",
    subject: str = "",
    detail: str = "",
    rests_on: str = "",
    over_at: float = math.inf,
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
        what=what,
        do=do,
        due=since,
        moment=since,
        over_at=over_at,
        rests_on=rests_on,
        facts=facts or {},
    )


def service_candidates(scope: Scope, snapshot: Snapshot) -> Iterator[Candidate]:
    """The configuration on disk, the clock, the ledger, the planning loop."""
    problems = snapshot.configuration.problems
    if problems:
        several = "1 error" if len(problems) == 1 else f"{len(problems)} errors"
        yield service_condition(
            kinds.CONFIGURATION_REFUSED,
            Severity.CAUTION,
            snapshot.at,
            f"The configuration on disk is refused ({several}): {problems[0]}",
            "Mend the file; until then the last good configuration stays in force.",
            detail=hashlib.sha256("\n".join(problems).encode()).hexdigest()[:16],
            facts={"problems": list(problems[:MOST_PROBLEMS_SHOWN]), "count": len(problems)},
        )
    clock = snapshot.clock
    if not clock.trusted:
        yield service_condition(
            kinds.CLOCK_NOT_TRUSTED,
            Severity.CAUTION,
            snapshot.at,
            f"The machine's clock cannot be trusted: {clock.why or 'no reason is known'}.",
            "Compare all times with a clock that you trust until this is resolved.",
            facts={"why": clock.why, "offset_s": clock.offset_s},
        )
    if snapshot.ledger_trouble:
        yield service_condition(
            kinds.LEDGER_TROUBLE,
            Severity.WARNING,
            snapshot.at,
            f"Records are held in memory only: {snapshot.ledger_trouble}.",
            "Mend it before the service stops: until then what is learned is on no disk.",
            facts={"trouble": snapshot.ledger_trouble},
        )
    if snapshot.station_time_trouble:
        yield service_condition(
            kinds.STATION_TIME_TROUBLE,
            Severity.CAUTION,
            snapshot.at,
            f"Station time cannot be shared anew: {snapshot.station_time_trouble}.",
            "What was granted before stays; agree with the stations what is new.",
            facts={"trouble": snapshot.station_time_trouble},
        )
    if snapshot.planned_at is not None:
        looked_from = max(snapshot.planned_at, snapshot.looking_since or snapshot.planned_at)
        overdue_from = looked_from + scope.policy.planning_overdue_s
        yield service_condition(
            kinds.PLANNING_OVERDUE,
            Severity.WARNING,
            overdue_from,
            f"Predictions have not been renewed since {moment(snapshot.planned_at)}.",
            "What is shown may be out of date: look at the service's log.",
            facts={"planned_at": exact(snapshot.planned_at)},
        )
