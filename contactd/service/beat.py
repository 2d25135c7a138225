"""The service's beat as a function: state and the present in, state and effects out.

The daemon performs the effects; the simulator runs the very same function.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

from contactd.alerts.life import Reach, beat
from contactd.alerts.policy import Leads, Policy
from contactd.alerts.rules import matters
from contactd.config import AlertLeads, Configuration
from contactd.core.alert import Severity
from contactd.core.outlook import Snapshot
from contactd.core.planning import Target
from contactd.core.record import Record
from contactd.service.state import ServiceState, refresh_forecasts

# A prediction reaches this many planning periods further than it must, so that a target is
# predicted anew that seldom, and not with every turn of the plan.
SLACK_PERIODS = 10
LOG_CHANNEL = "log"

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Beat:
    """What a beat gives: the new state, what may be seen of it, and what is to be done.

    Attributes:
        records: to be stored, before anything else is done.
        predict: targets to be predicted, each over a span (start, end) of instants (s).
    """

    state: ServiceState
    snapshot: Snapshot
    records: tuple[Record, ...] = ()
    predict: tuple[tuple[Target, Span], ...] = ()


@dataclass(frozen=True, slots=True)
class Telling:
    """What is told, when and where, as the configuration says."""

    policy: Policy
    reaches: tuple[Reach, ...] = ()


def step(
    state: ServiceState, telling: Telling, now: float, was_down_since: float | None = None
) -> Beat:
    """One beat.

    Args:
        now: instant (s).
        was_down_since: instant (s) since which nobody looked, while that is to be made good.
    """
    state, predict = _ask_predictions(state, now)
    state = refresh_forecasts(state, now)
    snapshot = state.snapshot(now)
    found = matters(snapshot, telling.policy, now, was_down_since)
    records = beat(state.alerts, found, now, was_down_since, telling.reaches)
    return Beat(state, snapshot, tuple(records), predict)


def telling_of(configuration: Configuration) -> Telling:
    """What is told, when and where: the log hears of everything."""

    def leads(given: AlertLeads) -> Leads:
        names = {each.name for each in fields(Leads)} & set(AlertLeads.model_fields)
        return Leads(**{name: getattr(given, name) for name in names})

    policy = Policy(
        leads=leads(configuration.settings.alerts),
        targets={name: leads(each) for name, each in configuration.leads.items()},
    )
    channels = configuration.settings.channels
    reaches = [Reach(each.name, Severity(each.least_severity)) for each in channels]
    return Telling(policy, (Reach(LOG_CHANNEL), *reaches))


def _ask_predictions(
    state: ServiceState, now: float
) -> tuple[ServiceState, tuple[tuple[Target, Span], ...]]:
    """Ask for the predictions that are missing or no longer reach as far as they should."""
    settings = state.configuration.settings
    first, last = now - settings.horizon.back_s, now + settings.horizon.ahead_s
    slack_s = SLACK_PERIODS * settings.planning.every_s
    span = (first - slack_s, last + slack_s)
    wanted = tuple(
        (target, span)
        for name, target in state.targets.items()
        if name not in state.asked and not _reaches(state, name, first, last)
    )
    if wanted:
        asked = {**state.asked, **{target.name: span for target, span in wanted}}
        state = replace(state, asked=asked)
    elif not state.asked:
        state = replace(state, planned_at=now)
    return state, wanted


def _reaches(state: ServiceState, name: str, first: float, last: float) -> bool:
    prediction = state.predictions.get(name)
    if prediction is None:
        return False
    start, end = prediction.outlook.span
    return start <= first and end >= last
