"""Which facts are worth telling: pure functions from the snapshot to matters."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from zlib import crc32

from contactd.alerts.candidate import Matter, Matters
from contactd.alerts.policy import Policy
from contactd.alerts.rules.contacts import contact_matters, window_matters
from contactd.alerts.rules.scope import Scope
from contactd.alerts.rules.service import service_matters
from contactd.alerts.rules.steps import sequence_matters
from contactd.alerts.rules.targets import change_matters, target_matters
from contactd.core.outlook import Snapshot, TargetOutlook

__all__ = ["NOTHING_KEPT", "Kept", "matters", "matters_again"]


@dataclass(frozen=True, slots=True)
class _OfTarget:
    """The matters of one outlook, and until when (instant, s) they reach."""

    outlook: TargetOutlook
    until: float
    matters: tuple[Matter, ...]


@dataclass(frozen=True, slots=True)
class Kept:
    """A cache: each target's matters, good until its outlook changes or time has passed them."""

    policy: Policy | None = None
    targets: Mapping[str, _OfTarget] = field(default_factory=dict)


NOTHING_KEPT = Kept()


def matters(
    snapshot: Snapshot, policy: Policy, now: float, was_down_since: float | None = None
) -> Matters:
    """What is worth telling at ``now``, and what falls due in the next ``policy.ahead_s``.

    Args:
        now: instant (s).
        was_down_since: instant (s) since which nobody looked, or None: events that fell due since
            then are given even when their matter is over.
    """
    return matters_again(snapshot, policy, now, was_down_since, NOTHING_KEPT)[0]


def matters_again(
    snapshot: Snapshot, policy: Policy, now: float, was_down_since: float | None, kept: Kept
) -> tuple[Matters, Kept]:
    """As :func:`matters`, looking anew only at targets for which what was kept no longer holds."""
    since = now
    if was_down_since is not None:
        since = max(was_down_since, now - policy.catch_up_s)
    scope = Scope(policy=policy, now=now, since=since, until=now + policy.ahead_s)
    usable = kept.targets if kept.policy == policy and was_down_since is None else {}
    looked: dict[str, _OfTarget] = {}
    for name, outlook in snapshot.targets.items():
        before = usable.get(name)
        if before is None or before.outlook is not outlook or before.until <= now:
            share = 1.0 if kept is NOTHING_KEPT else _share(name)
            nearer = replace(scope, until=_whole(now + policy.ahead_s * share, now))
            found = tuple(_of_target(nearer, outlook, snapshot.planned_at))
            before = _OfTarget(outlook, nearer.until, found)
        looked[name] = before
    whole = (*service_matters(scope, snapshot), *change_matters(scope, snapshot))
    service = tuple(each for each in whole if scope.wants(each))
    undecided = {name for name, outlook in snapshot.targets.items() if outlook.problem is not None}
    planned_at = snapshot.planned_at
    found_now = Matters(
        at=now,
        until=min((each.until for each in looked.values()), default=scope.until),
        matters=(*service, *(matter for each in looked.values() for matter in each.matters)),
        undecided=frozenset(undecided),
        decided=frozenset(snapshot.targets.keys() - undecided),
        complete=planned_at is not None and planned_at >= snapshot.configuration.adopted_at,
    )
    return found_now, Kept(policy, looked)


def _share(name: str) -> float:
    """From a half to one, as the name has it: a fleet's targets are not all due at once."""
    return 0.5 + crc32(name.encode()) / 2**33


def _whole(until: float, now: float) -> float:
    """A whole second before, if that still lies ahead: a fleet's targets are due together then."""
    whole = math.floor(until)
    return whole if whole > now else until


def _of_target(scope: Scope, outlook: TargetOutlook, planned_at: float | None) -> Iterator[Matter]:
    """One target's matters that are wanted."""
    rules = [
        target_matters(scope, outlook, planned_at),
        contact_matters(scope, outlook),
        window_matters(scope, outlook),
        *(sequence_matters(scope, outlook, forecast) for forecast in outlook.forecasts),
    ]
    return (matter for rule in rules for matter in rule if scope.wants(matter))
