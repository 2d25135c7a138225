"""Which facts are worth telling: pure functions from the snapshot to matters."""

from __future__ import annotations

from contactd.alerts.matter import Matter, Matters
from contactd.alerts.policy import Policy
from contactd.alerts.rules.contacts import contact_matters, window_matters
from contactd.alerts.rules.scope import Scope
from contactd.alerts.rules.service import service_matters, target_matters
from contactd.alerts.rules.steps import sequence_matters
from contactd.core.outlook import Snapshot

__all__ = ["matters"]


def matters(
    snapshot: Snapshot, policy: Policy, now: float, was_down_since: float | None = None
) -> Matters:
    """What is worth telling at ``now``, and what falls due in the next ``policy.ahead_s``.

    Args:
        now: instant (s).
        was_down_since: instant (s) since which nobody looked, or None: events that fell due since
            then are given even when their matter is over.
    """
    since = now
    if was_down_since is not None:
        since = max(was_down_since, now - policy.catch_up_s)
    scope = Scope(policy=policy, now=now, since=since, until=now + policy.ahead_s)
    found: list[Matter] = [*service_matters(scope, snapshot)]
    for outlook in snapshot.targets.values():
        found.extend(target_matters(scope, outlook, snapshot.planned_at))
        found.extend(contact_matters(scope, outlook))
        found.extend(window_matters(scope, outlook))
        for forecast in outlook.forecasts:
            found.extend(sequence_matters(scope, outlook, forecast))
    undecided = {name for name, outlook in snapshot.targets.items() if outlook.problem is not None}
    planned_at = snapshot.planned_at
    return Matters(
        at=now,
        until=scope.until,
        matters=tuple(matter for matter in found if scope.wants(matter)),
        undecided=frozenset(undecided),
        decided=frozenset(snapshot.targets.keys() - undecided),
        complete=planned_at is not None and planned_at >= snapshot.configuration.adopted_at,
    )
