"""The service's beat as a function: state and the present in, state and effects out.

The daemon performs the effects; the simulator runs the very same function.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from contactd.alerts.escalation import next_tending, tend
from contactd.alerts.evaluate import evaluate
from contactd.alerts.rules import candidates_again
from contactd.alerts.status import with_channels
from contactd.core.planning import FARTHEST_AHEAD_S, Target
from contactd.core.record import Record
from contactd.service.alert_configuration import Telling
from contactd.service.allocation_job import SharingJob, ask_sharing, is_settled
from contactd.service.state import Quiet, ServiceState, refresh_forecasts, refresh_reaches

# A prediction reaches so much further than it must, so that a target is predicted anew that seldom,
# and not with every turn of the plan: this many planning periods, or this share of the time ahead.
SLACK_PERIODS = 60
SLACK_SHARE = 1 / 28

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Beat:
    """What a beat gives: the new state, and what is to be done.

    Attributes:
        records: to be stored, before anything else is done.
        predict: targets to be predicted, each over a span (start, end) of instants (s).
        share: station time that is to be shared anew, if any.
        again_at: instant (s) before which nothing more can fall due, as far as is known now.
    """

    state: ServiceState
    records: tuple[Record, ...] = ()
    predict: tuple[tuple[Target, Span], ...] = ()
    share: SharingJob | None = None
    again_at: float = math.inf


def step(
    state: ServiceState,
    telling: Telling,
    now: float,
    was_down_since: float | None = None,
    leads: bool = True,
) -> Beat:
    """One beat.

    Args:
        now: instant (s).
        was_down_since: instant (s) since which nobody looked, while that is to be made good.
        leads: whether this service records and tells what it finds; else it only keeps up.
    """
    state, predict = _ask_predictions(refresh_reaches(state), now)
    state, job = ask_sharing(state, now)
    if not state.asked and is_settled(state):
        state = replace(state, planned_at=now)
    state = refresh_forecasts(state, now)
    if not leads:
        state = replace(state, changes=())
        return Beat(state, (), predict, job)
    state, records, again_at = _decide(state, telling, now, was_down_since)
    changes, state = state.changes, replace(state, changes=())
    return Beat(state, (*changes, *records), predict, job, again_at)


def _decide(
    state: ServiceState, telling: Telling, now: float, was_down_since: float | None
) -> tuple[ServiceState, tuple[Record, ...], float]:
    """What is to be recorded now, and when something may fall due again.

    Nothing is looked at as long as nothing can have come due.
    """
    seen = (
        telling,
        state.outlooks,
        state.alerts,
        state.knowledge.elements_changes,
        state.knowledge.handover,
        state.refused,
        state.clock.trusted,
        state.ledger_trouble,
        state.ledger_damage,
        state.planned_at is None,
        state.channels,
        state.shared.problem,
        state.watch_list,
        state.knowledge.definitions,
    )
    quiet = state.quiet
    if (
        quiet is not None
        and was_down_since is None
        and now < quiet.until
        and all(one is other for one, other in zip(quiet.seen, seen, strict=True))
    ):
        return state, (), quiet.until
    snapshot = state.snapshot(now)
    found, kept = candidates_again(snapshot, telling.policy, now, was_down_since, state.kept)
    alerts, care = state.alerts, telling.care
    found = with_channels(found, state.channels, alerts.dead_letters, telling.policy)
    records = (
        *evaluate(alerts, found, now, was_down_since, telling.reaches),
        *tend(alerts, care, now, telling.manners),
    )
    until = min(found.next_due(now), next_tending(alerts, care, now))
    still = Quiet(until, seen) if not records else None
    return replace(state, kept=kept, quiet=still), records, until


def _ask_predictions(
    state: ServiceState, now: float
) -> tuple[ServiceState, tuple[tuple[Target, Span], ...]]:
    """Ask for the predictions that are missing or no longer reach as far as they should."""
    settings = state.configuration.settings
    first, last = now - settings.horizon.back_s, now + settings.horizon.ahead_s
    slack_s = max(SLACK_PERIODS * settings.planning.every_s, SLACK_SHARE * settings.horizon.ahead_s)
    wanted = []
    for name, target in state.targets.items():
        until = max(last, min(state.reaches[name], now + FARTHEST_AHEAD_S))
        holds = _reaches(state, name, first, until) and _rests_on_nearest(state, name, now)
        if name not in state.asked and not holds:
            wanted.append((target, (first - slack_s, until + slack_s)))
    if wanted:
        asked = {**state.asked, **{target.name: span for target, span in wanted}}
        state = replace(state, asked=asked)
    return state, tuple(wanted)


def _reaches(state: ServiceState, name: str, first: float, last: float) -> bool:
    prediction = state.predictions.get(name)
    if prediction is None:
        return False
    start, end = prediction.reaches
    return start <= first and end >= last


def _rests_on_nearest(state: ServiceState, name: str, now: float) -> bool:
    """Whether the prediction rests on the element set that is the nearest in epoch now."""
    target, motion = state.targets[name], state.predictions[name].motion
    if len(target.elements) < 2 or motion is None:
        return True
    return motion.elements == (target.elements_for(now),)
