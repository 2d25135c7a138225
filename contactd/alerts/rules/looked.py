"""What the rules looked at: only of that can it be said that something is over.

A target that cannot be predicted, a step that is no longer in the files, a wall clock that is not
trusted: none of them says that a condition has ended, only that nobody can tell.
"""

from __future__ import annotations

from collections.abc import Iterator

from contactd.alerts.candidate import scope_of
from contactd.alerts.policy import Policy
from contactd.alerts.rules.contacts import COMMAND
from contactd.alerts.rules.step import TIMED
from contactd.core import alert as kinds
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.core.sequences.model import SequenceForecast

OF_START = (kinds.START_UNCONFIRMED, kinds.START_IN_DOUBT, kinds.CONFLICTING_RECORDS)
OF_STEP = (
    kinds.STEP_UNCOVERED,
    kinds.STEP_AT_RISK,
    kinds.NO_STOP,
    kinds.COMMAND_WINDOWS_FEW,
    kinds.COMMAND_IN_DOUBT,
    kinds.PEOPLE_IN_DANGER,
    kinds.STEP_EXPIRING,
    kinds.STEP_EXPIRED,
    kinds.STOP_BY_COMING,
    kinds.STOP_BY_PASSED,
    kinds.KEEP_CLEAR_BEGINS,
    kinds.KEEP_CLEAR_ENDS,
)
OF_CONTACT = (kinds.CONTACT_COMING,)
OF_SERVICE = (
    kinds.CONFIGURATION_REFUSED,
    kinds.CLOCK_NOT_TRUSTED,
    kinds.LEDGER_TROUBLE,
    kinds.STATION_TIME_TROUBLE,
    kinds.HANDOVER_UNCONFIRMED,
    kinds.PLANNING_OVERDUE,
)


EVERYWHERE = frozenset({kinds.DEFINITION_DIFFERS, kinds.NOT_WATCHED})
"""Kinds that follow from files and ledger alone."""


def looked_at_target(outlook: TargetOutlook, policy: Policy, *, clock: bool) -> frozenset[str]:
    """The scopes of a target that were looked at.

    Args:
        clock: whether the wall clock is trusted, so that something can be over because time passed.
    """
    disabled = policy.for_target(outlook.target).disabled_kinds
    return frozenset(
        scope_of(kind, subject)
        for kind, subject in _of_target(outlook, clock)
        if kind not in disabled
    )


def _of_target(outlook: TargetOutlook, clock: bool) -> Iterator[tuple[str, str]]:
    target, predicted = outlook.target, outlook.problem is None
    yield kinds.NO_PREDICTION, target
    if clock and (predicted or outlook.elements is not None):
        yield kinds.ELEMENTS_STALE, target
    if not predicted:
        return
    if clock:
        yield kinds.PREDICTION_GAP, target
        yield kinds.SPAN_ENDS, target
        for station in {*outlook.services.get(COMMAND, {}), *(c.station for c in outlook.contacts)}:
            for kind in OF_CONTACT:
                yield kind, f"{target}/{station}"
    for forecast in outlook.forecasts:
        yield from _of_sequence(forecast, clock)


def _of_sequence(forecast: SequenceForecast, clock: bool) -> Iterator[tuple[str, str]]:
    where = f"{forecast.target}/{forecast.sequence}"
    for kind in OF_START:
        yield kind, where
    for step in forecast.steps:
        # What records decided (seen, held, stopped) needs no clock.
        if clock or step.status not in TIMED:
            for kind in OF_STEP:
                yield kind, f"{where}/{step.step}"


def looked_at_service(snapshot: Snapshot, policy: Policy) -> frozenset[str]:
    """The scopes of the service itself that were looked at."""
    return frozenset(
        scope_of(kind, "contactd")
        for kind in OF_SERVICE
        if kind not in policy.leads.disabled_kinds
        and (kind != kinds.PLANNING_OVERDUE or snapshot.planned_at is not None)
    )
