"""Sharing station time as the service does, for commands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contactd.faces.cli.output import complain, tell

if TYPE_CHECKING:
    from contactd.config.configuration import Configuration
    from contactd.core.allocation.request import Request
    from contactd.core.allocation.result import Allocation
    from contactd.core.allocation.sharing import Sharing
    from contactd.records.state import State


def sharing_of(configuration: Configuration) -> Sharing:
    """How the configuration shares station time; every contact of everyone where it does not."""
    if configuration.sharing is not None:
        return configuration.sharing
    from contactd.core.allocation.request import Request
    from contactd.core.allocation.sharing import Sharing

    tell(
        "caution: contactd.yaml has no station_time, so every contact is yours; this is how it "
        "would be shared with `station_time: {}`"
    )
    return Sharing({name: (Request(name),) for name in configuration.targets})


def allocation_of(
    configuration: Configuration,
    sharing: Sharing,
    state: State,
    now: float,
    until: float,
    fresh: bool = False,
) -> Allocation:
    """Who has which station when, from what the ledger knows; nothing is recorded.

    Args:
        now, until: instants (s).
        fresh: what was granted before does not count.
    """
    from contactd.core.allocation.sharing import share
    from contactd.core.planning import FARTHEST_AHEAD_S, Prediction, predict_target, wanted_until
    from contactd.faces.cli.progress import with_progress
    from contactd.faces.cli.store import knowledge_of

    stations = list(configuration.stations.values())
    knowledge, predictions = {}, dict[str, Prediction]()
    for target in with_progress(list(configuration.targets.values()), "Predicting"):
        known = knowledge_of(state, target)
        reach = min(wanted_until(target, known), now + FARTHEST_AHEAD_S)
        span = (now - configuration.settings.horizon.back_s, max(until, reach))
        made = predict_target(target, stations, span, now)
        if made.outlook.problem is not None:
            complain(f"{target.name}: {made.outlook.problem}")
        knowledge[target.name], predictions[target.name] = known, made
    return share(
        sharing,
        configuration.targets,
        predictions,
        knowledge,
        configuration.stations,
        now,
        until,
        None if fresh else state.station_time,
        state.confirmed,
    )


def services_of(requests: dict[str, tuple[Request, ...]]) -> dict[tuple[str, str], str]:
    """What each request is for, by (target, name)."""
    return {each.key: each.service for asked in requests.values() for each in asked}
