"""The search for the best settings and starts: complete, by branch and bound over windows.

A state has some nodes assigned: for each of them a window, and for each edge between them a choice
of its settings. Everything is kept relative to the root, the node whose windows leave least room,
for then few of its windows can still matter. ``X`` is the greatest of all ``a − low`` and ``Y`` the
least of all ``b − high``; the start then has ``Y − X − W`` seconds of freedom, W being the width of
the root's own bounds (known once the start is assigned, and bounded from below before). Assigning a
node can only shrink that freedom, so a state whose freedom does not exceed twice the margin of the
best options found so far is dropped with all that would follow from it. Which choices of a setting
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

from contactd.core.sequences.bounds import floors
from contactd.core.sequences.problem import Node, Problem
from contactd.core.sequences.states import PairPile, StatePile, States

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Margins below this are rounding.
LEAST_FREEDOM_S = 1e-6
# The same option found on another way may differ by this.
ROUNDING_S = 1e-5
# Candidates looked at before the search gives up its proof: about a minute of work.
MOST_CANDIDATES = 300_000_000
# After so many the windows are looked through again with the margin that was found so far.
FIRST_CANDIDATES = 100_000
# How many states, and candidates, are looked at together: few at first, to find good ones soon.
STATE_BATCHES = (4, 32, 256)
CANDIDATE_BATCHES = (4_096, 32_768, 262_144)


class Rank(StrEnum):
    """By what options are ordered, best first."""

    MARGIN = "margin"
    FINISH = "finish"
    STATIONS = "stations"


@dataclass(frozen=True, slots=True)
class Found:
    """One best option, on the clock scale.

    Attributes:
        first, last: the starts that keep every step covered (s).
        settings: seconds on every setting, by step.
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
    candidates: int


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
        self.candidates = 0
        self.rounds = 0
        self.best: list[tuple[float, int, Found]] = []
        self.serial = 0
        self.known_bar = -np.inf
        self._prepare()

    def run(self) -> Outcome:
        """Search until nothing better can exist, or until the bound on the work is reached."""
        complete = self._walk(FIRST_CANDIDATES)
        if not complete:
            if len(self.best) >= self.most:
                # What was found so far rules out windows: start anew without them.
                self.known_bar = self.best[0][0] - ROUNDING_S
                self._prepare()
            self.best = []
            complete = self._walk(MOST_CANDIDATES)
        ordered = sorted(self.best, key=lambda each: (-each[0], each[2].finish, each[2].first))
        return Outcome(tuple(each[2] for each in ordered), complete, self.candidates)

    def _prepare(self) -> None:
        """Bounds, root and order of nodes, for the options that are still of interest."""
        self.floors = floors(self.problem, self._least_freedom)
        self.rooms = [self._room(index) for index in range(len(self.nodes))]
        self.root = self._root()
        self.moves = self._order()

    def _room(self, index: int) -> float:
        """The longest that a node's windows could leave for the start."""
        node = self.nodes[index]
        usable = np.isfinite(self.floors[index])
        lengths = node.ends[usable] - node.starts[usable] - self.floors[index][usable]
        return float(lengths.max(initial=-np.inf))

    def _walk(self, most_candidates: int) -> bool:
        """Walk through all states that may be of interest; whether all of them were seen to."""
        if min(self.rooms) <= self._least_freedom:
            return True
        stack: list[StatePile | PairPile] = [self._piled(self._first(), 0)]
        while stack:
            pile = stack[-1]
            # A pile is sorted: when its next cannot do better, none of it can.
            if pile.is_spent(self._bar):
                stack.pop()
                continue
            if isinstance(pile, PairPile):
                if self.candidates > most_candidates:
                    return False
                chunk = pile.take(self._batch(CANDIDATE_BATCHES))
                self.candidates += len(chunk[0])
                move = self.moves[pile.depth]
                made = self._linked(self._assign(pile.states, move, *chunk), pile.depth + 1)
                stack.append(self._piled(made, pile.depth + 1))
            elif pile.depth == len(self.moves):
                self._collect(pile.states)
                stack.pop()
                if self.any_one and self.best:
                    return True
            else:
                self.rounds += 1
                some = pile.take(self._batch(STATE_BATCHES))
                stack.append(self._paired(some, pile.depth))
        return True

    def _batch(self, sizes: tuple[int, ...]) -> int:
        return sizes[min(self.rounds // 64, len(sizes) - 1)]

    # What bounds the search.

    @property
    def _bar(self) -> float:
        """Score that an option must exceed to be of interest."""
        reached = self.best[0][0] if len(self.best) >= self.most else -np.inf
        return max(reached, self.known_bar)

    @property
    def _least_freedom(self) -> float:
        """Freedom (s) that a state must exceed to be of interest."""
        if self.rank is Rank.FINISH:
            return self.least
        return max(self.least, 2 * self._bar)

    def _scores(self, states: States, depth: int) -> FloatArray:
        """What the best option that follows from each state can score at the most."""
        if self.rank is not Rank.FINISH:
            return states.freedom / 2
        latest = np.full(len(states), -np.inf)
        for index in (self.root, *(move.node for move in self.moves[:depth])):
            latest = np.maximum(latest, states.high[:, index] + self.nodes[index].tail)
        # The root's low bound is at X at least, and the start in the middle of its freedom.
        return np.asarray(-(states.x + states.width + latest + self.least / 2), dtype=np.float64)

    def _piled(self, states: States, depth: int) -> StatePile:
        """The states that are of interest, the most promising first."""
        scores = self._scores(states, depth)
        keep = np.flatnonzero((scores > self._bar) & (states.freedom > self._least_freedom))
        order = keep[np.argsort(-scores[keep], kind="stable")]
        return StatePile(depth, states.only(order), scores[order])

    def _paired(self, states: States, depth: int) -> PairPile:
        """States with each window of the next node that can be brought over them."""
        move = self.moves[depth]
        node, widths = self.nodes[move.node], self.floors[move.node]
        first, last = self._ranges(states, move)
        rows, windows = np.nonzero((first < last) & np.isfinite(widths))
        if self.rank is Rank.FINISH:
            ends = node.starts[windows] + widths[windows] + node.tail + self.least / 2
            scores = np.minimum(self._scores(states, depth)[rows], -ends)
        else:
            room = node.ends[windows] - node.starts[windows] - widths[windows]
            scores = np.minimum(states.freedom[rows], room) / 2
        order = np.argsort(-scores, kind="stable")
        rows, windows = rows[order], windows[order]
        return PairPile(
            depth,
            states,
            scores[order],
            rows,
            windows,
            first[rows, windows],
            last[rows, windows],
        )

    # In which order nodes are assigned.

    def _root(self) -> int:
        alone = [index for index in range(len(self.nodes)) if self._way_up(index)]
        if self.rank is Rank.FINISH:
            # The last step first, so that early finishes are tried first.
            last = [index for index in alone if not self.nodes[index].is_free]
            return max(last, key=lambda index: len(self._way_up(index)))
        return min(alone, key=lambda index: self.rooms[index])

    def _way_up(self, index: int) -> tuple[int, ...]:
        """Nodes from this one to the start, where each counts from one; else nothing."""
        way = [index]
        while self.nodes[way[-1]].origins:
            origins = self.nodes[way[-1]].origins
            if len(origins) > 1:
                return ()
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
            best = min(open_moves, key=lambda move: self.rooms[move.node])
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

    # How states come about.

    def _first(self) -> States:
        node = self.nodes[self.root]
        usable = np.isfinite(self.floors[self.root])
        count, nodes = int(usable.sum()), len(self.nodes)
        return States(
            node.starts[usable],
            node.ends[usable],
            self.floors[self.root][usable],
            np.zeros((count, nodes)),
            np.zeros((count, nodes)),
            np.zeros((count, nodes), dtype=np.int64),
        )

    def _ranges(self, states: States, move: _Move) -> tuple[IntArray, IntArray]:
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
        return first, last

    def _near(self, states: States, move: _Move) -> tuple[FloatArray, FloatArray]:
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
        self, states: States, move: _Move, row: IntArray, window: IntArray, choice: IntArray
    ) -> States:
        """The states with one more node at a window, by a choice; those of interest."""
        node: Node = self.nodes[move.node]
        owner = move.near if move.backward else move.node
        edge = self.nodes[owner].edge
        near_low, near_high = self._near(states, move)
        sign = -1.0 if move.backward else 1.0
        low = near_low[row] + sign * edge.lows[choice]
        high = near_high[row] + sign * edge.highs[choice]
        x = np.maximum(states.x[row], node.starts[window] - low)
        y = np.minimum(states.y[row], node.ends[window] - high)
        # The root's bounds are as wide as this node's less what lies between them.
        width = np.maximum(states.width[row], self.floors[move.node][window] - (high - low))
        keep = np.flatnonzero(y - x - width > self._least_freedom)
        made = states.only(row[keep])
        made.x, made.y, made.width = x[keep], y[keep], width[keep]
        made.low[:, move.node], made.high[:, move.node] = low[keep], high[keep]
        made.pick[:, owner] = choice[keep]
        return made

    def _linked(self, states: States, depth: int) -> States:
        """States whose settings keep the distances that are asked between them."""
        if not self.problem.exceeds:
            return states
        chosen = self._chosen(states, depth)
        keep = np.ones(len(states), dtype=np.bool_)
        for step, other, by in self.problem.exceeds:
            if step in chosen and other in chosen:
                keep &= chosen[step] >= chosen[other] + by - 1e-6
        return states.only(keep)

    def _chosen(self, states: States, depth: int) -> dict[str, FloatArray]:
        """Seconds on every setting that is chosen at this depth, for each state."""
        found: dict[str, FloatArray] = {
            name: np.full(len(states), seconds) for name, seconds in self.problem.fixed.items()
        }
        for move in self.moves[:depth]:
            owner = move.near if move.backward else move.node
            edge = self.nodes[owner].edge
            for index, name in enumerate(edge.dials):
                found[name] = edge.values_s[states.pick[:, owner], index]
        return found

    def _collect(self, states: States) -> None:
        """Take the best of complete states among the best options."""
        first = states.x + states.low[:, 0]
        last = states.y + states.high[:, 0]
        finish = (first + last) / 2 + self._latest(states)
        scores = -finish if self.rank is Rank.FINISH else (last - first) / 2
        order = np.argsort(-scores, kind="stable")[: self.most]
        chosen = self._chosen(states.only(order), len(self.moves))
        for place, index in enumerate(order.tolist()):
            if not scores[index] > self._bar:
                break
            settings = tuple((name, float(values[place])) for name, values in chosen.items())
            found = Found(float(first[index]), float(last[index]), settings, float(finish[index]))
            self.serial += 1
            heapq.heappush(self.best, (float(scores[index]), -self.serial, found))
            if len(self.best) > self.most:
                heapq.heappop(self.best)

    def _latest(self, states: States) -> FloatArray:
        """Latest bound of the last step relative to the start."""
        each = [
            states.high[:, index] - states.high[:, 0] + node.tail
            for index, node in enumerate(self.nodes)
        ]
        return np.asarray(np.maximum.reduce(each), dtype=np.float64)
