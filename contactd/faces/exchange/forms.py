"""Allocations as JSON values: what the command line and the service's interface give alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from contactd.core.allocation.result import Allocation, EarlierStop, Grant, Shortfall
from contactd.mission.texts.allocation import earlier_stop
from contactd.mission.timetext import NO_EARLIER, NO_LATER, machine

GRANT_FIELDS = (
    "target",
    "station",
    "from",
    "to",
    "duration_s",
    "requests",
    "priority",
    "urgent",
    "how",
    "takes_over_from",
)


def grant_form(grant: Grant) -> dict[str, Any]:
    """One grant, with the fields of :data:`GRANT_FIELDS`; its ends rounded outward."""
    return {
        "target": grant.target,
        "station": grant.station,
        "from": machine(grant.start, NO_LATER),
        "to": machine(grant.end, NO_EARLIER),
        "duration_s": round(grant.duration_s, 3),
        "requests": list(grant.requests),
        "priority": grant.priority,
        "urgent": grant.urgent,
        "how": str(grant.how),
        "takes_over_from": grant.takes_over_from,
    }


def allocation_form(
    made: Allocation,
    grants: Sequence[Grant],
    short: Sequence[Shortfall],
    stops: Sequence[EarlierStop],
    *,
    why: bool,
) -> dict[str, Any]:
    """The allocation as JSON values; with ``why``, each shortfall with the contacts it lost."""
    return {
        "from": machine(made.span[0], NO_EARLIER),
        "to": machine(made.span[1], NO_LATER),
        "frozen_until": machine(made.frozen_until, NO_EARLIER),
        "proved_best": made.is_best,
        "gap": round(made.gap, 6),
        "tiers": [
            {
                "counts": str(each.tier.kind),
                "priority": each.tier.priority or None,
                "points": each.worth,
                "at_most": each.most,
            }
            for each in made.tiers
        ],
        "grants": [grant_form(each) for each in grants],
        "dropped": [grant_form(each) for each in made.dropped],
        "short": [_short_form(each, why) for each in short],
        "earlier_stops": [_stop_form(each) for each in stops],
    }


def _stop_form(each: EarlierStop) -> dict[str, Any]:
    return {
        "target": each.target,
        "sequence": each.sequence,
        "step": each.step,
        "stop_by": machine(each.stop_by, NO_LATER),
        "stop_station": each.stop_station or None,
        "without": machine(each.without, NO_LATER),
        "without_station": each.without_station,
        "hazard": each.hazard,
        "people_near": each.people_near,
        "lost_to": [grant_form(grant) for grant in each.to],
        "text": earlier_stop(each),
    }


def _short_form(short: Shortfall, why: bool) -> dict[str, Any]:
    form: dict[str, Any] = {
        "target": short.target,
        "request": short.request,
        "from": machine(short.start, NO_EARLIER),
        "to": machine(short.end, NO_LATER),
        "wanted": short.wanted,
        "granted": short.granted,
        "priority": short.priority,
        "urgent": short.urgent,
        "because": short.because,
    }
    if why:
        form["lost"] = [
            {
                "station": each.station,
                "from": machine(each.start, NO_EARLIER),
                "to": machine(each.end, NO_LATER),
                "lost_to": [grant_form(grant) for grant in each.to],
                "because": each.because,
            }
            for each in short.lost
        ]
    return form
