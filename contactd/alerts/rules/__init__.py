"""Which facts are worth telling: pure functions from the snapshot to matters."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from zlib import crc32

from contactd.alerts.candidate import Candidate, Candidates
from contactd.alerts.policy import Policy
from contactd.alerts.rules.contacts import contact_candidates
from contactd.alerts.rules.looked import EVERYWHERE, looked_at_service, looked_at_target
from contactd.alerts.rules.scope import Scope
from contactd.alerts.rules.service import service_candidates
from contactd.alerts.rules.standing import standing_of
from contactd.alerts.rules.steps import sequence_candidates
from contactd.alerts.rules.targets import change_candidates, target_candidates
from contactd.core.outlook import Snapshot, TargetOutlook

__all__ = ["NOTHING_KEPT", "Kept", "matters", "matters_again"]


@dataclass(frozen=True, slots=True)
class _OfTarget:
    """The matters of one outlook, until when (instant, s) they reach, what was looked at."""

    outlook: TargetOutlook
    until: float
    candidates: tuple[Candidate, ...]
    looked: frozenset[str]


@dataclass(frozen=True, slots=True)
class Kept:
    """A cache: each target's matters, good until its outlook changes or time has passed them.

    Attributes:
        clock: whether the wall clock was trusted.
    """

    policy: Policy | None = None
    clock: bool = True
    targets: Mapping[str, _OfTarget] = field(default_factory=dict)


NOTHING_KEPT = Kept()


def candidates(
    snapshot: Snapshot, policy: Policy, now: float, was_down_since: float | None = None
) -> Candidates:
    """What is worth telling at ``now``, and what falls due in the next ``policy.ahead_s``.

    Args:
        now: instant (s).
        was_down_since: instant (s) since which nobody looked, or None: events that fell due since
            then are given even when their matter is over.
    """
    return candidates_again(snapshot, policy, now, was_down_since, NOTHING_KEPT)[0]


def candidates_again(
    snapshot: Snapshot, policy: Policy, now: float, was_down_since: float | None, kept: Kept
) -> tuple[Candidates, Kept]:
    """As :func:`matters`, looking anew only at targets for which what was kept no longer holds."""
    since = now
    if was_down_since is not None:
        since = max(was_down_since, now - policy.catch_up_s)
    existed_since = snapshot.looking_since if was_down_since is None else was_down_since
    scope = Scope(
        policy=policy,
        now=now,
        since=since,
        until=now + policy.ahead_s,
        existed_since=-math.inf if existed_since is None else existed_since,
        stations=snapshot.stations,
    )
    clock = snapshot.clock.trusted
    holds = kept.policy == policy and kept.clock == clock and was_down_since is None
    usable = kept.targets if holds else {}
    looked: dict[str, _OfTarget] = {}
    for name, outlook in snapshot.targets.items():
        before = usable.get(name)
        if before is None or before.outlook is not outlook or before.until <= now:
            share = 1.0 if kept is NOTHING_KEPT else _share(name)
            nearer = replace(scope, until=_whole(now + policy.ahead_s * share, now))
            found = tuple(_of_target(nearer, outlook, snapshot.planned_at))
            until = min((nearer.until, *_turns(found, now)))
            seen = looked_at_target(outlook, policy, clock=clock)
            before = _OfTarget(outlook, until, found, seen)
        looked[name] = before
    whole = (*service_candidates(scope, snapshot), *change_candidates(scope, snapshot))
    service = tuple(each for each in whole if scope.wants(each))
    found_now = Candidates(
        at=now,
        until=min((each.until for each in looked.values()), default=scope.until),
        candidates=(
            *service,
            *(candidate for each in looked.values() for candidate in each.candidates),
        ),
        looked={
            "": looked_at_service(snapshot, policy),
            **{name: each.looked for name, each in looked.items()},
        },
        now_is={
            subject: words
            for outlook in snapshot.targets.values()
            for subject, words in standing_of(outlook)
        },
        stations=snapshot.stations,
        everywhere=EVERYWHERE.difference(policy.leads.disabled_kinds),
        unread=snapshot.unread,
        retired=_retired(snapshot),
    )
    return found_now, Kept(policy, clock, looked)


def _turns(found: Iterable[Candidate], now: float) -> Iterator[float]:
    """When words change because time passes, and what is over goes (instants, s)."""
    for candidate in found:
        yield from (turn for turn in (*candidate.turns, candidate.over_at) if turn > now)


def _retired(snapshot: Snapshot) -> frozenset[str]:
    """What is retired and is not watched all the same, since the files have it."""
    watched = {
        f"{name}/{forecast.sequence}"
        for name, outlook in snapshot.targets.items()
        for forecast in outlook.forecasts
    }
    return snapshot.retired - snapshot.targets.keys() - watched


def _share(name: str) -> float:
    """From a half to one, as the name has it: a fleet's targets are not all due at once."""
    return 0.5 + crc32(name.encode()) / 2**33


def _whole(until: float, now: float) -> float:
    """A whole second before, if that still lies ahead: a fleet's targets are due together then."""
    whole = math.floor(until)
    return whole if whole > now else until


def _of_target(
    scope: Scope, outlook: TargetOutlook, planned_at: float | None
) -> Iterator[Candidate]:
    """One target's matters that are wanted."""
    rules = [
        target_candidates(scope, outlook, planned_at),
        contact_candidates(scope, outlook),
        *(sequence_candidates(scope, outlook, forecast) for forecast in outlook.forecasts),
    ]
    return (candidate for rule in rules for candidate in rule if scope.wants(candidate))
