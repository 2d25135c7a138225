"""The search for the best settings and starts: complete, by branch and bound over windows.

A state has some nodes assigned: for each of them a window, and for each edge between them a choice
of its dials. Everything is kept relative to the root, the node whose windows leave least room, for
then few of its windows can still matter. ``X`` is the greatest of all ``a − low`` and ``Y`` the
least of all ``b − high``; the start then has ``Y − X − W`` seconds of freedom, W being the width of
the root's own bounds (known once the start is assigned, and bounded from below before). Assigning a
node can only shrink that freedom, so a state whose freedom does not exceed twice the margin of the
best options found so far is dropped with all that would follow from it. Which choices of a dial
bring a window over the state's interval is a range in the sorted choices, found by bisection for
all states and windows at once.

Nothing is dropped that could beat what is returned, so the answer is the best there is. Source:
Land and Doig, *Econometrica* 28, 1960 (branch and bound).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from contactd.core.sequences.problem import Node, Problem

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Margins below this are rounding.
LEAST_FREEDOM_S = 1e-6
# States expanded before the search gives up its proof: more than a minute of work.
MOST_STATES = 3_000_000
BATCHES = (4, 32, 256)
MOST_CANDIDATES = 400_000


class Rank(StrEnum):
    """By what options are ordered, best first."""

    MARGIN = "margin"
    FINISH = "finish"
    STATIONS = "stations"


@dataclass(frozen=True, slots=True)
class Found:
    """One best option, on the clock scale.

    Attributes:
        first, last: the starts that keep every step served (s).
        settings: seconds on every open dial, by step.
        finish: latest bound of the last step, for a start in the middle (s).
    """

    first: float
    last: float
    settings: tuple[tuple[str, float], ...]
    finish: float

    @property
    def margin_s(self) -> float:
        """Half of the freedom of the start."""
        return (self.last - self.first) / 2


@dataclass(frozen=True, slots=True)
class Outcome:
    """Options, best first; ``complete`` when nothing better can exist."""

    options: tuple[Found, ...]
    complete: bool
    states: int


@dataclass(slots=True)
class _States:
    """Many states of one depth. Columns of ``low``, ``high`` and ``pick`` are nodes."""

    x: FloatArray
    y: FloatArray
    width: FloatArray
    low: FloatArray
    high: FloatArray
    pick: IntArray

    def __len__(self) -> int:
        return len(self.x)

    @property
    def freedom(self) -> FloatArray:
        return np.asarray(self.y - self.x - self.width, dtype=np.float64)

    def only(self, index: NDArray[np.bool_] | IntArray | slice) -> _States:
        return _States(
            self.x[index],
            self.y[index],
            self.width[index],
            self.low[index],
            self.high[index],
            self.pick[index],
        )


@dataclass(slots=True)
class _Pile:
    """States of one depth, the most promising first, of which some are already expanded."""

    depth: int
    states: _States
    scores: FloatArray
    taken: int = 0


@dataclass(frozen=True, slots=True)
class _Move:
    """How one more node is assigned.

    ``near`` is the assigned node it is reached from; ``backward`` when that one counts from it.
    """

    node: int
    near: int
    backward: bool


class Search:
    """One search; ``run`` gives its outcome."""

    def __init__(
        self,
        problem: Problem,
        most: int = 1,
        rank: Rank = Rank.MARGIN,
        least_margin_s: float = 0.0,
        any_one: bool = False,
    ) -> None:
        self.problem = problem
        self.nodes = problem.nodes
        self.most = most
        self.rank = rank
        self.least = max(2 * least_margin_s, LEAST_FREEDOM_S)
        self.any_one = any_one
        self.states = 0
        self.best: list[tuple[float, int, Found]] = []
        self.serial = 0
        self.root = self._root()
        self.moves = self._order()
        self.up = self._way_up(self.root)

    def run(self) -> Outcome:
        """Search until nothing better can exist, or until the bound on states is reached."""
        if any(not len(node.starts) for node in self.nodes):
            return Outcome((), True, 0)
        stack = [_Pile(0, *self._sorted(self._first(), 0))]
        complete = True
        while stack:
            pile = stack[-1]
            # The pile is sorted: when its next state cannot do better, none of it can.
            if pile.taken >= len(pile.scores) or pile.scores[pile.taken] <= self._bar:
                stack.pop()
                continue
            if pile.depth == len(self.moves):
                self._collect(pile.states)
                stack.pop()
                if self.any_one and self.best:
                    break
                continue
            if self.states > MOST_STATES:
                complete = False
                break
            size = BATCHES[min(self.states // 64, len(BATCHES) - 1)]
            some = pile.states.only(slice(pile.taken, pile.taken + size))
            pile.taken += size
            self.states += len(some)
            following = self._children(some, pile.depth)
            if following is not None:
                stack.append(_Pile(pile.depth + 1, *self._sorted(following, pile.depth + 1)))
        ordered = sorted(self.best, key=lambda each: (-each[0], each[2].finish, each[2].first))
        return Outcome(tuple(each[2] for each in ordered), complete, self.states)

    # What bounds the search.

    @property
    def _bar(self) -> float:
        """Score that an option must exceed to be of interest."""
        return self.best[0][0] if len(self.best) >= self.most else -np.inf

    @property
    def _least_freedom(self) -> float:
        """Freedom (s) that a state must exceed to be of interest."""
        if self.rank is Rank.FINISH:
            return self.least
        return max(self.least, 2 * self._bar)

    def _scores(self, states: _States, assigned: list[int]) -> FloatArray:
        """What the best option that follows from each state can score at the most."""
        if self.rank is not Rank.FINISH:
            return states.freedom / 2
        latest = np.full(len(states), -np.inf)
        for index in assigned:
            latest = np.maximum(latest, states.high[:, index] + self.nodes[index].tail)
        # The root's low bound is at X at least, and the start in the middle of its freedom.
        return np.asarray(-(states.x + states.width + latest + self.least / 2), dtype=np.float64)

    def _sorted(self, states: _States, depth: int) -> tuple[_States, FloatArray]:
        """The states that are of interest, the most promising first, and their scores."""
        scores = self._scores(states, self._assigned(depth))
        keep = np.flatnonzero((scores > self._bar) & (states.freedom > self._least_freedom))
        order = keep[np.argsort(-scores[keep], kind="stable")]
        return states.only(order), scores[order]

    # In which order nodes are assigned.

    def _root(self) -> int:
        alone = [index for index in range(len(self.nodes)) if self._way_up(index) is not None]
        if self.rank is Rank.FINISH:
            # The last step first, so that early finishes are tried first.
            last = [index for index in alone if not self.nodes[index].is_free]
            return max(last, key=lambda index: len(self._way_up(index) or ()))
        return min(alone, key=lambda index: self.nodes[index].room)

    def _way_up(self, index: int) -> tuple[int, ...] | None:
        """Nodes from this one to the start, where each counts from one; else None."""
        way = [index]
        while self.nodes[way[-1]].origins:
            origins = self.nodes[way[-1]].origins
            if len(origins) > 1:
                return None
            way.append(origins[0].node)
        return tuple(way)

    def _order(self) -> list[_Move]:
        done = {self.root}
        moves: list[_Move] = []
        while len(done) < len(self.nodes):
            open_moves = [
                move
                for index in range(len(self.nodes))
                if index not in done
                for move in self._reachable(index, done)
            ]
            best = min(open_moves, key=lambda move: self.nodes[move.node].room)
            moves.append(best)
            done.add(best.node)
        return moves

    def _reachable(self, index: int, done: set[int]) -> Iterator[_Move]:
        origins = [each.node for each in self.nodes[index].origins]
        if origins and all(each in done for each in origins):
            yield _Move(index, origins[0], backward=False)
        for other in done:
            if [each.node for each in self.nodes[other].origins] == [index]:
                yield _Move(index, other, backward=True)

    def _assigned(self, depth: int) -> list[int]:
        return [self.root, *(move.node for move in self.moves[:depth])]

    # How states come about.

    def _first(self) -> _States:
        node = self.nodes[self.root]
        count, nodes = len(node.starts), len(self.nodes)
        return _States(
            node.starts.copy(),
            node.ends.copy(),
            np.full(count, node.floor),
            np.zeros((count, nodes)),
            np.zeros((count, nodes)),
            np.zeros((count, nodes), dtype=np.int64),
        )

    def _children(self, states: _States, depth: int) -> _States | None:
        """The states with one more node assigned; None if there are none."""
        move = self.moves[depth]
        made = [
            self._linked(self._assign(states, move, *chunk), depth + 1)
            for chunk in _chunks(*self._ranges(states, move))
        ]
        return _joined(made) if made else None

    def _ranges(self, states: _States, move: _Move) -> tuple[IntArray, IntArray]:
        """For each state and window, the first choice that may do and the one after the last."""
        node = self.nodes[move.node]
        edge = self.nodes[move.near].edge if move.backward else node.edge
        near_low, near_high = self._near(states, move)
        need = self._least_freedom + states.width
        # The low bound of the node must exceed this, and its high bound stay below that.
        above = node.starts[None, :] - (states.y - need)[:, None]
        below = node.ends[None, :] - (states.x + need)[:, None]
        narrow, wide = edge.spread
        if move.backward:
            # node = near − choice
            first = np.searchsorted(edge.lows, near_high[:, None] - below - wide, "left")
            last = np.searchsorted(edge.lows, near_low[:, None] - above, "right")
        else:
            first = np.searchsorted(edge.lows, above - near_low[:, None], "left")
            last = np.searchsorted(edge.lows, below - near_high[:, None] - narrow, "right")
        return first, np.maximum(last - first, 0)

    def _near(self, states: _States, move: _Move) -> tuple[FloatArray, FloatArray]:
        """Bounds that the choice is added to, or taken from when going backward."""
        if move.backward:
            origin = self.nodes[move.near].origins[0]
            return (
                states.low[:, move.near] - origin.low,
                states.high[:, move.near] - origin.high,
            )
        node = self.nodes[move.node]
        lows = [states.low[:, each.node] + each.low for each in node.origins]
        highs = [states.high[:, each.node] + each.high for each in node.origins]
        if node.join == "later":
            return np.maximum.reduce(lows), np.maximum.reduce(highs)
        return np.minimum.reduce(lows), np.minimum.reduce(highs)

    def _assign(
        self, states: _States, move: _Move, row: IntArray, window: IntArray, choice: IntArray
    ) -> _States:
        node: Node = self.nodes[move.node]
        owner = move.near if move.backward else move.node
        edge = self.nodes[owner].edge
        near_low, near_high = self._near(states, move)
        made = states.only(row)
        made.pick[:, owner] = choice
        if move.backward:
            low, high = near_low[row] - edge.lows[choice], near_high[row] - edge.highs[choice]
            if self.up is not None and move.node in self.up:
                made.width = node.floor - (high - low)
        else:
            low, high = near_low[row] + edge.lows[choice], near_high[row] + edge.highs[choice]
        made.low[:, move.node], made.high[:, move.node] = low, high
        made.x = np.maximum(made.x, node.starts[window] - low)
        made.y = np.minimum(made.y, node.ends[window] - high)
        return made.only(made.freedom > self._least_freedom)

    def _linked(self, states: _States, depth: int) -> _States:
        """States whose dials keep the distances that are asked between them."""
        if not self.problem.exceeds:
            return states
        chosen = self._chosen(states, depth)
        keep = np.ones(len(states), dtype=np.bool_)
        for step, other, by in self.problem.exceeds:
            if step in chosen and other in chosen:
                keep &= chosen[step] >= chosen[other] + by - 1e-6
        return states.only(keep)

    def _chosen(self, states: _States, depth: int) -> dict[str, FloatArray]:
        """Seconds on every dial that is chosen at this depth, for each state."""
        found: dict[str, FloatArray] = {
            name: np.full(len(states), seconds) for name, seconds in self.problem.fixed.items()
        }
        for move in self.moves[:depth]:
            owner = move.near if move.backward else move.node
            edge = self.nodes[owner].edge
            for index, name in enumerate(edge.dials):
                found[name] = edge.values_s[states.pick[:, owner], index]
        return found

    def _collect(self, states: _States) -> None:
        """Take the best of complete states among the best options."""
        scores = self._scores(states, self._assigned(len(self.moves)))
        first = states.x + states.low[:, 0]
        last = states.y + states.high[:, 0]
        finish = (first + last) / 2 + self._latest(states)
        if self.rank is Rank.FINISH:
            scores = -finish
        order = np.argsort(-scores, kind="stable")
        chosen = self._chosen(states, len(self.moves))
        for index in order.tolist():
            if not scores[index] > self._bar:
                break
            settings = tuple((name, float(values[index])) for name, values in chosen.items())
            found = Found(float(first[index]), float(last[index]), settings, float(finish[index]))
            self.serial += 1
            heapq.heappush(self.best, (float(scores[index]), -self.serial, found))
            if len(self.best) > self.most:
                heapq.heappop(self.best)

    def _latest(self, states: _States) -> FloatArray:
        """Latest bound of the last step relative to the start."""
        each = [
            states.high[:, index] - states.high[:, 0] + node.tail
            for index, node in enumerate(self.nodes)
        ]
        return np.asarray(np.maximum.reduce(each), dtype=np.float64)


def _chunks(first: IntArray, count: IntArray) -> Iterator[tuple[IntArray, IntArray, IntArray]]:
    """All (state, window, choice) of the ranges, in chunks of bounded size."""
    rows, windows = np.nonzero(count)
    firsts, counts = first[rows, windows], count[rows, windows]
    ends = np.cumsum(counts)
    begin = 0
    while begin < len(rows):
        base = ends[begin - 1] if begin else 0
        stop = max(int(np.searchsorted(ends, base + MOST_CANDIDATES, "right")), begin + 1)
        some = slice(begin, stop)
        each = counts[some]
        run = np.arange(each.sum()) - np.repeat(np.cumsum(each) - each, each)
        yield (
            np.repeat(rows[some], each),
            np.repeat(windows[some], each),
            np.repeat(firsts[some], each) + run,
        )
        begin = stop


def _joined(parts: list[_States]) -> _States:
    return _States(
        np.concatenate([each.x for each in parts]),
        np.concatenate([each.y for each in parts]),
        np.concatenate([each.width for each in parts]),
        np.concatenate([each.low for each in parts]),
        np.concatenate([each.high for each in parts]),
        np.concatenate([each.pick for each in parts]),
    )
