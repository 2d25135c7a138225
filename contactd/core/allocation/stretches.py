"""Stretches of antenna time that serve several requests of a target one after the other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.opportunities import Opportunities

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]

MOST_JOINED = 4
"""So many opportunities are looked at together, apart from all that touch each other."""


def hulls_of(
    opportunities: Opportunities, mine: IndexArray, target: IndexArray, gap_s: float
) -> FloatArray:
    """Stretches that opportunities of a target's several requests make together.

    Where they overlap, or lie nearer to each other than the antenna needs between two grants, one
    grant for all of them may be better, or the only one. Rows of target, first, last, usable from,
    usable to, least (s); only those that are no opportunity by themselves, and that one of the
    requests would not find too long.
    """
    rows = []
    request = opportunities.request[mine]
    for who in np.unique(target[request]):
        here = mine[target[request] == who]
        if len(np.unique(opportunities.request[here])) < 2:
            continue
        here = here[np.argsort(opportunities.first[here], kind="stable")]
        reach = np.maximum.accumulate(opportunities.last[here])
        apart = opportunities.first[here][1:] >= reach[:-1] + gap_s
        opens = np.flatnonzero(np.concatenate([[True], apart]))
        for group in np.split(here, opens[1:]):
            if len(group) > 1:
                rows += [(float(who), *each) for each in _joined(opportunities, group)]
    return np.array(rows, dtype=np.float64).reshape(-1, 6)


def _joined(
    opportunities: Opportunities, group: IndexArray
) -> list[tuple[float, float, float, float, float]]:
    """What runs of neighbouring opportunities make together: first, last, usable …, least."""
    alone = set(zip(opportunities.first[group], opportunities.last[group], strict=True))
    found: dict[tuple[float, float], tuple[float, float, float, float, float]] = {}
    sizes = range(2, min(len(group), MOST_JOINED) + 1)
    runs = [group[low : low + size] for size in sizes for low in range(len(group) - size + 1)]
    for run in [*runs, group]:
        asked = [opportunities.requests[each] for each in opportunities.request[run]]
        first, last = opportunities.first[run].min(), opportunities.last[run].max()
        longest = max(each.most_duration_s for each in asked)
        if len({each.key for each in asked}) < 2 or last - first > longest:
            continue
        if (first, last) in alone or (first, last) in found:
            continue
        found[first, last] = (
            first,
            last,
            opportunities.usable_from[run].min(),
            opportunities.usable_to[run].max(),
            min(each.least_duration_s for each in asked),
        )
    return list(found.values())
