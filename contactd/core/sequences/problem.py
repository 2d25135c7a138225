"""An alignment as numbers: nodes with windows, joined by the choices that settings offer.

For given settings every step's expiry lies in ``[start + low, start + high]``, and low and high
are sums along the chain of delays. A rule asks that this interval lie in one window ``[a, b]`` of
its set, so the start must lie in ``[a − low, b − high]``. Steps that differ by fixed delays only
are one node: their windows are brought to the moment that the node stands for and intersected.

Node 0 is the start, its windows are the allowed start times. All instants are on the clock scale.
"""

from __future__ import annotations

from collections.abc import Mapping
from collections.abc import Sequence as Row
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from contactd.core.intervals import IntervalSet
from contactd.core.sequences.clocks import ClockScale, rate_limits
from contactd.core.sequences.model import Sequence, Step
from contactd.core.sequences.order import in_order, later_steps
from contactd.core.sequences.rules import Rule

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Two settings in a row with nothing to respect between them are one with the sums of both, unless
# these are too many; then they stay two.
MOST_SUMS = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """The choices on the way to a node.

    Attributes:
        lows, highs: seconds that a choice adds to the bounds, ascending lows, shape ``[n]``.
        settings: names of the steps whose settings are chosen, ``k`` of them.
        values_s: what each choice puts on each setting, shape ``[n, k]``.
    """

    lows: FloatArray
    highs: FloatArray
    dials: tuple[str, ...]
    values_s: FloatArray

    @property
    def spread(self) -> tuple[float, float]:
        """Least and greatest difference of high and low."""
        apart = self.highs - self.lows
        return float(apart.min()), float(apart.max())


@dataclass(frozen=True, slots=True)
class Origin:
    """A node that another counts from, and what lies between them for certain."""

    node: int
    low: float
    high: float


@dataclass(slots=True)
class Node:
    """Steps that move together.

    Attributes:
        origins: nodes that it counts from; none for the start.
        join: with several, whether the ``later`` or the ``earlier`` counts.
        starts, ends: its windows, shape ``[m]``.
        tail: seconds from its moment until the latest bound of its last step.
        floor: least width of its bounds, whatever is chosen.
    """

    name: str
    origins: tuple[Origin, ...]
    join: str
    edge: Edge
    starts: FloatArray
    ends: FloatArray
    tail: float = 0.0
    floor: float = 0.0

    @property
    def is_free(self) -> bool:
        """Whether no rule restricts it."""
        return len(self.starts) == 1 and self.starts[0] == -np.inf and self.ends[0] == np.inf


@dataclass(frozen=True, slots=True)
class Place:
    """Where a step stands: bounds of its expiry relative to the moment of its node."""

    node: int
    low: float
    high: float


@dataclass(slots=True)
class Problem:
    """The whole alignment.

    Attributes:
        nodes: each after those that it counts from.
        places: of every step.
        exceeds: (step, other, seconds): this setting must exceed the other by so much.
        fixed: settings that are not open, by step.
    """

    sequence: Sequence
    scale: ClockScale
    nodes: list[Node] = field(default_factory=list)
    places: dict[str, Place] = field(default_factory=dict)
    exceeds: tuple[tuple[str, str, float], ...] = ()
    fixed: dict[str, float] = field(default_factory=dict)


def offsets(
    sequence: Sequence, settings: Mapping[str, float], give_or_take_s: float
) -> dict[str, tuple[float, float]]:
    """For given settings, bounds of every step's expiry relative to the start (clock scale, s)."""
    made = build(sequence, IntervalSet.everything(), (), settings, give_or_take_s)
    found: list[tuple[float, float]] = [(0.0, 0.0)]
    for node in made.nodes[1:]:
        pick = max if node.join == "later" else min
        low = pick(found[each.node][0] + each.low for each in node.origins)
        high = pick(found[each.node][1] + each.high for each in node.origins)
        found.append((low + float(node.edge.lows[0]), high + float(node.edge.highs[0])))
    return {
        name: (found[place.node][0] + place.low, found[place.node][1] + place.high)
        for name, place in made.places.items()
    }


def build(
    sequence: Sequence,
    starts: IntervalSet,
    rules: Row[Rule],
    settings: Mapping[str, float],
    give_or_take_s: float,
) -> Problem:
    """The problem of a sequence under rules, with some settings fixed by ``settings`` (seconds)."""
    problem = Problem(sequence, ClockScale.of(sequence.clock.temperature))
    problem.fixed = _all_fixed(sequence, rules, settings)
    problem.exceeds = tuple(
        (step.name, other, by)
        for step in sequence.steps
        if step.delay.setting is not None
        for other, by in step.delay.setting.exceeds
    )
    allowed = _scaled(problem.scale, starts)
    problem.nodes.append(_node("", (), "later", _no_choice(0.0, 0.0), allowed))
    for step in in_order(sequence):
        _place(problem, step, give_or_take_s)
    _restrict(problem, rules)
    _merge(problem)
    for node in problem.nodes[1:]:
        floors = [problem.nodes[each.node].floor + each.high - each.low for each in node.origins]
        # Of several origins one may decide the low bound and another the high one.
        floor = floors[0] if len(floors) == 1 else 0.0
        node.floor = floor + node.edge.spread[0]
    return problem


def _all_fixed(
    sequence: Sequence, rules: Row[Rule], settings: Mapping[str, float]
) -> dict[str, float]:
    """Settings that are given, and the least value of settings that no rule depends on."""
    ruled = {rule.step for rule in rules}
    linked: set[str] = set()
    for step in sequence.steps:
        for other, _ in step.delay.setting.exceeds if step.delay.setting else ():
            linked |= {step.name, other}
    fixed = dict(settings)
    for step in sequence.steps:
        setting = step.delay.setting
        if setting is None or step.name in fixed or step.name in linked:
            continue
        if not ({step.name} | later_steps(sequence, step.name)) & ruled:
            fixed[step.name] = setting.least_s
    return fixed


def _scaled(scale: ClockScale, instants: IntervalSet) -> IntervalSet:
    if not len(scale.knots):
        return instants
    return IntervalSet(
        [scale.enter(each) for each in instants.starts.tolist()],
        [scale.enter(each) for each in instants.ends.tolist()],
    )


def _node(
    name: str, origins: tuple[Origin, ...], join: str, edge: Edge, windows: IntervalSet
) -> Node:
    return Node(name, origins, join, edge, windows.starts, windows.ends)


def _no_choice(low: float, high: float) -> Edge:
    return Edge(np.array([low]), np.array([high]), (), np.empty((1, 0)))


def _place(problem: Problem, step: Step, give_or_take_s: float) -> None:
    """Give a step its place: on an earlier step's node, or on a new one of its own."""
    origins = tuple(
        Origin(place.node, place.low, place.high)
        for place in (problem.places[name] for name in step.after)
    ) or (Origin(0, -give_or_take_s, give_or_take_s),)
    least, most = _lasting(problem, step)
    error = step.delay.error_bound_s * problem.scale.stretch
    setting = step.delay.setting
    if setting is not None and step.name not in problem.fixed:
        ticks = np.arange(setting.count, dtype=np.float64)
        values: FloatArray = setting.least_s + setting.resolution_s * ticks
        edge = Edge(
            values * least - error, values * most + error, (step.name,), values.reshape(-1, 1)
        )
        _add(problem, step, origins, edge)
        return
    delay = step.delay.fixed_s if setting is None else problem.fixed[step.name]
    low, high = delay * least - error, delay * most + error
    if len(origins) == 1:
        only = origins[0]
        problem.places[step.name] = Place(only.node, only.low + low, only.high + high)
    else:
        _add(problem, step, origins, _no_choice(low, high))


def _add(problem: Problem, step: Step, origins: tuple[Origin, ...], edge: Edge) -> None:
    everything = IntervalSet.everything()
    problem.nodes.append(_node(step.name, origins, step.join, edge, everything))
    problem.places[step.name] = Place(len(problem.nodes) - 1, 0.0, 0.0)


def _lasting(problem: Problem, step: Step) -> tuple[float, float]:
    """Least and greatest seconds that one second of a step's countdown lasts."""
    limits = [rate_limits(problem.sequence.clock_of(unit)) for unit in step.unit_names]
    pick = min if step.units_act == "first" else max
    wander = problem.scale.wander
    least, most = pick(each[0] for each in limits), pick(each[1] for each in limits)
    return least * (1 - wander), most * (1 + wander)


def _restrict(problem: Problem, rules: Row[Rule]) -> None:
    """Bring every rule to its step's node, and intersect."""
    for rule in rules:
        place = problem.places[rule.step]
        node = problem.nodes[place.node]
        scaled = _scaled(problem.scale, rule.instants)
        brought = IntervalSet(scaled.starts - place.low, scaled.ends - place.high)
        both = IntervalSet(node.starts, node.ends) & brought
        node.starts, node.ends = both.starts, both.ends
    for place in problem.places.values():
        node = problem.nodes[place.node]
        node.tail = max(node.tail, place.high)


def _merge(problem: Problem) -> None:
    """Make two settings one where nothing depends on the moment between them."""
    linked = {name for each in problem.exceeds for name in each[:2]}
    while True:
        side = _side_by_side(problem, linked)
        if side is not None:
            _join(problem, *side)
            continue
        pair = _mergeable(problem, linked)
        if pair is None:
            return
        first, second = pair
        node, after = problem.nodes[first], problem.nodes[second]
        between = after.origins[0]
        after.edge = _sums(node.edge, after.edge, between)
        after.origins, after.join = node.origins, node.join
        _drop(problem, first)


def _followers(problem: Problem, index: int) -> list[int]:
    """Nodes that count from a node."""
    return [
        other
        for other, each in enumerate(problem.nodes)
        if any(origin.node == index for origin in each.origins)
    ]


def _side_by_side(problem: Problem, linked: set[str]) -> tuple[int, int, int] | None:
    """Two free nodes after one and the same, of which a third takes the later or the earlier."""
    for index, node in enumerate(problem.nodes):
        free = [
            origin.node
            for origin in node.origins
            if problem.nodes[origin.node].is_free
            and len(problem.nodes[origin.node].origins) == 1
            and _followers(problem, origin.node) == [index]
            and not set(problem.nodes[origin.node].edge.dials) & linked
            and problem.nodes[origin.node].tail <= origin.high
        ]
        for first, second in combinations(free, 2):
            one, other = problem.nodes[first], problem.nodes[second]
            count = len(one.edge.lows) * len(other.edge.lows)
            if one.origins[0].node == other.origins[0].node and count <= MOST_SUMS:
                return index, first, second
    return None


def _join(problem: Problem, index: int, first: int, second: int) -> None:
    """Make two free nodes one whose choices are those of both, the later or earlier counting."""
    node = problem.nodes[index]
    ways = {origin.node: origin for origin in node.origins}
    one, other = problem.nodes[first], problem.nodes[second]

    def reach(each: Node, onward: Origin) -> tuple[FloatArray, FloatArray]:
        start = each.origins[0]
        return (
            each.edge.lows + start.low + onward.low,
            each.edge.highs + start.high + onward.high,
        )

    one_low, one_high = reach(one, ways[first])
    other_low, other_high = reach(other, ways[second])
    pick = np.maximum if node.join == "later" else np.minimum
    lows = pick(one_low[:, None], other_low[None, :]).ravel()
    highs = pick(one_high[:, None], other_high[None, :]).ravel()
    kept = _different(lows, highs)
    mine, theirs = np.divmod(kept, len(other_low))
    values = np.hstack([one.edge.values_s[mine], other.edge.values_s[theirs]])
    one.edge = Edge(lows[kept], highs[kept], (*one.edge.dials, *other.edge.dials), values)
    one.origins = (Origin(one.origins[0].node, 0.0, 0.0),)
    one.tail = -np.inf
    node.origins = tuple(
        Origin(each.node, 0.0, 0.0) if each.node == first else each
        for each in node.origins
        if each.node != second
    )
    _drop(problem, second)
    gone = first - (first > second)
    problem.places = {name: place for name, place in problem.places.items() if place.node != gone}


def _mergeable(problem: Problem, linked: set[str]) -> tuple[int, int] | None:
    for index, node in enumerate(problem.nodes):
        if index == 0 or not node.is_free or set(node.edge.dials) & linked:
            continue
        after = _followers(problem, index)
        if len(after) != 1 or len(problem.nodes[after[0]].origins) > 1:
            continue
        following = problem.nodes[after[0]]
        if set(following.edge.dials) & linked or node.tail > following.origins[0].high:
            continue
        if len(node.edge.lows) * len(following.edge.lows) > MOST_SUMS:
            continue
        return index, after[0]
    return None


def _sums(first: Edge, second: Edge, between: Origin) -> Edge:
    lows = (first.lows[:, None] + second.lows[None, :]).ravel() + between.low
    highs = (first.highs[:, None] + second.highs[None, :]).ravel() + between.high
    index = _different(lows, highs)
    mine, theirs = np.divmod(index, len(second.lows))
    values = np.hstack([first.values_s[mine], second.values_s[theirs]])
    return Edge(lows[index], highs[index], (*first.dials, *second.dials), values)


def _different(lows: FloatArray, highs: FloatArray) -> IntArray:
    """Indices of the pairs that differ by a microsecond or more, by ascending lows."""
    order = np.lexsort((highs, lows))
    low, high = np.round(lows[order], 6), np.round(highs[order], 6)
    fresh = np.concatenate([[True], (np.diff(low) != 0) | (np.diff(high) != 0)])
    return np.asarray(order[fresh], dtype=np.int64)


def _drop(problem: Problem, gone: int) -> None:
    """Take a node out; steps that stood on it get their place by settings only."""
    del problem.nodes[gone]

    def moved(index: int) -> int:
        return index - (index > gone)

    for node in problem.nodes:
        node.origins = tuple(Origin(moved(each.node), each.low, each.high) for each in node.origins)
    problem.places = {
        name: Place(moved(place.node), place.low, place.high)
        for name, place in problem.places.items()
        if place.node != gone
    }
