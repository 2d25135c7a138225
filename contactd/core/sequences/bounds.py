"""How narrow the bounds of a node can be in each of its windows: a bound for the search.

The longer the delays, the wider the bounds, by the rate error of the clocks. A window that lies
far from every window that the node before it may act in can only be reached by a long delay, so its
bounds are wide there whatever is chosen; or it cannot be reached at all. Windows that are too short
for their bounds and the freedom that is wanted fall away, and with them the short cuts over them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from contactd.core.sequences.problem import Node, Origin, Problem

FloatArray = NDArray[np.float64]

# Nodes with more pairs of windows than this are bounded more coarsely.
MOST_PAIRS = 1_000_000


def floors(problem: Problem, least_freedom_s: float) -> list[FloatArray]:
    """Least width (s) of every node's bounds, by window; infinite where it cannot be used.

    Args:
        least_freedom_s: freedom of the start that any option of interest must exceed.
    """
    found: list[FloatArray] = []
    for node in problem.nodes:
        if not node.origins:
            least = np.zeros(len(node.starts))
        elif len(node.origins) > 1:
            least = np.full(len(node.starts), node.floor)
        else:
            origin = node.origins[0]
            before = problem.nodes[origin.node]
            least = _from(node, origin, before, found[origin.node])
        reachable = np.isfinite(least)
        short = node.ends - node.starts <= np.where(reachable, least, 0.0) + least_freedom_s
        found.append(np.where(short, np.inf, least))
    return found


def _from(node: Node, origin: Origin, before: Node, widths: FloatArray) -> FloatArray:
    """Least widths in a node's windows, from those of the node that it counts from."""
    usable = np.flatnonzero(np.isfinite(widths))
    added = origin.high - origin.low
    if not len(usable):
        return np.full(len(node.starts), np.inf)
    edge = node.edge
    spreads = edge.highs - edge.lows
    if len(usable) * len(node.starts) > MOST_PAIRS:
        least = float(widths[usable].min()) + added + float(spreads.min())
        return np.full(len(node.starts), least)
    # From each choice on, the least spread that it or any longer one has.
    onward = np.minimum.accumulate(spreads[::-1])[::-1]
    narrow, wide = edge.spread
    shortest = node.starts[None, :] - before.ends[usable, None] - origin.high - wide
    longest = node.ends[None, :] - before.starts[usable, None] - origin.low - narrow + wide
    first = np.searchsorted(edge.lows, shortest, "left")
    last = np.searchsorted(edge.lows, longest, "right")
    spread = onward[np.minimum(first, len(onward) - 1)]
    each = np.where(first < last, widths[usable, None] + added + spread, np.inf)
    return np.asarray(each.min(axis=0), dtype=np.float64)
