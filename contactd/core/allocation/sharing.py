"""Sharing station time among all targets: from predictions and knowledge to an allocation."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from contactd.core.allocation.allocate import allocate
from contactd.core.allocation.opportunities import Services
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation
from contactd.core.allocation.schedule import Confirmed, confirmed_only
from contactd.core.allocation.search_budget import LIMIT_S, Effort
from contactd.core.allocation.sequence_requests import urgent_requests
from contactd.core.ground.station import Station
from contactd.core.planning import Prediction, forecast_target
from contactd.core.sequences.knowledge import SequenceKnowledge
from contactd.core.target import Target


@dataclass(frozen=True, slots=True)
class Sharing:
    """How station time is shared.

    Attributes:
        requests: what each target asks for, by target.
        frozen_s: what begins within this time is not moved any more.
        solver, limit_s: by what, and for how long at the most, the best is looked for.
    """

    requests: Mapping[str, tuple[Request, ...]] = field(default_factory=dict)
    frozen_s: float = 0.0
    solver: str = "highs"
    limit_s: float = LIMIT_S


Knowledge = Mapping[str, Mapping[str, SequenceKnowledge]]


def share(
    sharing: Sharing,
    targets: Mapping[str, Target],
    predictions: Mapping[str, Prediction],
    knowledge: Knowledge,
    stations: Mapping[str, Station],
    now: float,
    until: float,
    previous: Allocation | None = None,
    confirmed: Mapping[str, Confirmed] | None = None,
    seconds: Callable[[], float] | None = None,
) -> Allocation:
    """Who has which station when, from now on.

    Args:
        predictions: by target; one that has none asks for nothing.
        knowledge: what the ledger knows, by target, then by sequence.
        now, until: instants (s) between which antenna time is given.
        previous: what was granted before.
        confirmed: what stations' own schedules say, by station.
        seconds: a clock that runs on, to keep to the limit.

    Raises:
        SolverMissing: if the solver is not installed.
    """
    coverage: dict[str, Services] = {}
    requests: list[Request] = []
    for name, target in targets.items():
        prediction = predictions.get(name)
        if prediction is None:
            continue
        if confirmed:
            services = confirmed_only(prediction.outlook.services, name, confirmed)
            outlook = replace(prediction.outlook, services=services)
            prediction = replace(prediction, outlook=outlook)
        coverage[name] = prediction.outlook.services
        requests += sharing.requests.get(name, ())
        if target.sequences:
            outlook = forecast_target(target, prediction, knowledge.get(name, {}), now)
            requests += urgent_requests(
                target, outlook, now, prediction.conditions, prediction.light_time_s
            )
    return allocate(
        requests,
        coverage,
        stations,
        now,
        previous,
        None if previous is None else now + sharing.frozen_s,
        until=until,
        solver=sharing.solver,
        effort=Effort(sharing.limit_s, seconds),
    )
