"""Sharing station time among all targets: from predictions and knowledge to an allocation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from contactd.core.allocation.allocate import allocate
from contactd.core.allocation.opportunities import Services
from contactd.core.allocation.request import Request
from contactd.core.allocation.result import Allocation
from contactd.core.allocation.schedule import Confirmed, confirmed_only
from contactd.core.allocation.search_budget import MOST_NODES, Effort
from contactd.core.allocation.sequence_requests import urgent_requests
from contactd.core.allocation.stops import Both, earlier_stops
from contactd.core.ground.station import Station
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import Prediction, forecast_target
from contactd.core.sequences.knowledge import SequenceKnowledge
from contactd.core.target import Target


@dataclass(frozen=True, slots=True)
class Sharing:
    """How station time is shared.

    Attributes:
        requests: what each target asks for, by target.
        frozen_s: what begins within this time is not moved any more.
        solver, nodes: by what, and with how many branch-and-bound nodes for each tier at the most,
            the best is looked for.
    """

    requests: Mapping[str, tuple[Request, ...]] = field(default_factory=dict)
    frozen_s: float = 0.0
    solver: str = "highs"
    nodes: int = MOST_NODES


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
) -> Allocation:
    """Who has which station when, from now on.

    Args:
        predictions: by target; one that has none asks for nothing.
        knowledge: what the ledger knows, by target, then by sequence.
        now, until: instants (s) between which antenna time is given.
        previous: what was granted before.
        confirmed: what stations' own schedules say, by station.

    Raises:
        SolverMissing: if the solver is not installed.
    """
    coverage: dict[str, Services] = {}
    requests: list[Request] = []
    counting: dict[str, tuple[Prediction, TargetOutlook]] = {}
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
            counting[name] = prediction, outlook
            requests += urgent_requests(
                target, outlook, now, prediction.conditions, prediction.light_time_s
            )
    made = allocate(
        requests,
        coverage,
        stations,
        now,
        previous,
        None if previous is None else now + sharing.frozen_s,
        until=until,
        solver=sharing.solver,
        effort=Effort(sharing.nodes),
    )
    outlooks = [
        Both(
            free,
            forecast_target(
                targets[name], prediction, knowledge.get(name, {}), now, made.granted(name)
            ),
            prediction.light_time_s,
        )
        for name, (prediction, free) in counting.items()
    ]
    return replace(made, earlier_stops=earlier_stops(made, outlooks, stations))
