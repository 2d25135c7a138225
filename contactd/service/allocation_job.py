"""Station time in the service: when it must be shared anew, and with what.

What is granted is what the ledger says; this only knows what the last sharing rested on, so that
it is done again when something of that has changed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from contactd.core.allocation.result import Allocation
from contactd.service.shared import Inputs, Shared
from contactd.service.state import ServiceState

RETRY_AFTER_S = 60.0
"""So long after a failure it is tried again."""


@dataclass(frozen=True, slots=True)
class SharingJob:
    """One allocation that is to be made.

    Attributes:
        inputs: what it rests on.
        make: makes it; it takes its time, and touches nothing.
    """

    inputs: Inputs
    make: Callable[[], Allocation]


def is_settled(state: ServiceState) -> bool:
    """Whether what is granted rests on what is known now, or cannot at present."""
    return bool(state.shared.problem) or _rests_on_present(state)


def ask_sharing(state: ServiceState, now: float) -> tuple[ServiceState, SharingJob | None]:
    """Ask for an allocation if one is due and every target is predicted."""
    state = _noted(state, now)
    shared = state.shared
    due = shared.unsettled_since is not None and now >= shared.retry_at
    if not due or shared.asked is not None or state.asked:
        return state, None
    inputs = _inputs(state)
    state = replace(state, shared=replace(shared, asked=inputs))
    return state, SharingJob(inputs, _maker(state, now))


def _noted(state: ServiceState, now: float) -> ServiceState:
    """The state with the time noted since when what is granted rests on something else."""
    shared = state.shared
    since = None
    if not _rests_on_present(state):
        since = now if shared.unsettled_since is None else shared.unsettled_since
    if since == shared.unsettled_since:
        return state
    return replace(state, shared=replace(shared, unsettled_since=since))


def _maker(state: ServiceState, now: float) -> Callable[[], Allocation]:
    """Makes the allocation from this state, whatever becomes of the service's meanwhile."""
    ends = [each.outlook.span[1] for each in state.predictions.values()]
    # As far as all are predicted: what nobody was given would count as everybody's.
    until = max(min(ends, default=now), now + state.configuration.settings.horizon.ahead_s)

    def make() -> Allocation:
        from contactd.core.allocation.sharing import share

        sharing = state.configuration.sharing
        assert sharing is not None, "station time is only shared where it is configured"
        return share(
            sharing,
            state.targets,
            {name: state.prediction(name) for name in state.predictions},
            {name: state.knowledge_of(target) for name, target in state.targets.items()},
            state.stations,
            now,
            until,
            state.knowledge.station_time,
            state.knowledge.confirmed,
        )

    return make


def adopt_allocation(state: ServiceState, job: SharingJob, made: Allocation) -> ServiceState:
    """The state after an allocation was made, and its record was folded."""
    if state.shared.asked is not job.inputs:
        return state
    return replace(state, shared=Shared(done=job.inputs, latest=made))


def adopt_failure(state: ServiceState, job: SharingJob, problem: str, now: float) -> ServiceState:
    """The state after an allocation could not be made: what was granted stays."""
    if state.shared.asked is not job.inputs:
        return state
    failed = replace(
        state.shared, asked=None, problem=problem or "it failed", retry_at=now + RETRY_AFTER_S
    )
    return replace(state, shared=failed)


def _rests_on_present(state: ServiceState) -> bool:
    """Whether what is granted rests on all that is known now; also where nothing is shared."""
    return not state.is_shared or _same(state.shared.done, _inputs(state))


def _inputs(state: ServiceState) -> Inputs:
    known = state.knowledge
    sequences = [
        known.sequences.get((name, sequence.name))
        for name, target in state.targets.items()
        for sequence in target.sequences
    ]
    return (
        state.configuration, state.predictions, known.confirmed, known.station_status, *sequences,
    )  # fmt: skip


def _same(one: Inputs | None, other: Inputs) -> bool:
    return (
        one is not None
        and len(one) == len(other)
        and all(mine is theirs for mine, theirs in zip(one, other, strict=True))
    )
