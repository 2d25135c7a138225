"""Everything that could be granted: stretches of antenna time and the requests that they serve.

One stretch may serve several requests of its target at once: telemetry and a stop, say. Each set of
requests that a stretch could serve makes an offer of its own, for a request may have had enough
where another has not.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from contactd.core.allocation.milliseconds import ROUGHLY_S, outward
from contactd.core.allocation.opportunities import Opportunities

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]

MOST_TOGETHER = 4
"""Of more requests than this that one stretch could serve, not every set is offered."""


@dataclass(frozen=True, slots=True)
class Antennas:
    """What each station wants around a grant: setup before it and teardown after it, in s."""

    names: tuple[str, ...]
    setup_s: FloatArray
    teardown_s: FloatArray


@dataclass(frozen=True, slots=True)
class Offers:
    """Offers, their pieces of antenna time, and the opportunities that they serve.

    Attributes:
        target: index into ``targets``, shape ``[n]``.
        start, end: of all its pieces together, instants in s, shape ``[n]``.
        piece_offer, piece_station, piece_start, piece_end: antenna time, ordered by offer.
        serve_offer, serve_opportunity: which opportunity of which request it serves.
        serve_length_s: the antenna time that it gives to that.
        is_whole: whether it is all of a time in view, and not as short as may be; shape ``[n]``.
    """

    targets: tuple[str, ...]
    target: IndexArray
    start: FloatArray
    end: FloatArray
    piece_offer: IndexArray
    piece_station: IndexArray
    piece_start: FloatArray
    piece_end: FloatArray
    serve_offer: IndexArray
    serve_opportunity: IndexArray
    serve_length_s: FloatArray
    is_whole: BoolArray

    @property
    def count(self) -> int:
        """How many offers there are."""
        return len(self.target)

    def only(self, keep: BoolArray) -> Offers:
        """Those offers alone (mask of shape ``[n]``), numbered anew."""
        number = np.cumsum(keep) - 1
        pieces, serves = keep[self.piece_offer], keep[self.serve_offer]
        return Offers(
            self.targets,
            self.target[keep],
            self.start[keep],
            self.end[keep],
            number[self.piece_offer[pieces]],
            self.piece_station[pieces],
            self.piece_start[pieces],
            self.piece_end[pieces],
            number[self.serve_offer[serves]],
            self.serve_opportunity[serves],
            self.serve_length_s[serves],
            self.is_whole[keep],
        )


@dataclass(slots=True)
class Collected:
    """Offers that are being put together; each entry is a block of them."""

    target: list[IndexArray]
    pieces: list[tuple[IndexArray, IndexArray, FloatArray, FloatArray]]
    serves: list[tuple[IndexArray, IndexArray, FloatArray]]
    wholes: list[BoolArray] = field(default_factory=list)
    count: int = 0

    def add(
        self,
        target: IndexArray,
        station: IndexArray,
        start: FloatArray,
        end: FloatArray,
        opportunity: IndexArray,
        length_s: FloatArray,
        is_whole: BoolArray,
    ) -> None:
        """Offers of one piece each, ``[k]``, and what each serves, ``[k, served]``."""
        self.wholes.append(is_whole)
        offer = np.arange(len(target), dtype=np.intp) + self.count
        served = opportunity.shape[1]
        self.target.append(target)
        self.pieces.append((offer, station, start, end))
        self.serves.append(
            (np.repeat(offer, served), opportunity.reshape(-1), length_s.reshape(-1))
        )
        self.count += len(target)

    def add_one(
        self,
        target: int,
        pieces: Sequence[tuple[int, float, float]],
        serves: Sequence[tuple[int, float]],
    ) -> None:
        """One offer of several pieces: (station, start, end); serves are (opportunity, length)."""
        self.wholes.append(np.zeros(1, dtype=np.bool_))
        offer = np.array([self.count], dtype=np.intp)
        self.target.append(np.array([target], dtype=np.intp))
        self.pieces.append(
            (
                np.repeat(offer, len(pieces)),
                np.array([each[0] for each in pieces], dtype=np.intp),
                np.array([each[1] for each in pieces]),
                np.array([each[2] for each in pieces]),
            )
        )
        self.serves.append(
            (
                np.repeat(offer, len(serves)),
                np.array([each[0] for each in serves], dtype=np.intp),
                np.array([each[1] for each in serves]),
            )
        )
        self.count += 1

    def offers(self, targets: tuple[str, ...]) -> Offers:
        """All of them."""
        none, nothing = np.zeros(0, dtype=np.intp), np.zeros(0)
        piece = [np.concatenate(each) for each in zip(*self.pieces, strict=True)]
        serve = [np.concatenate(each) for each in zip(*self.serves, strict=True)]
        piece_offer, station, start, end = piece or [none, none, nothing, nothing]
        serve_offer, opportunity, length_s = serve or [none, none, nothing]
        start, end = outward(start, end)
        first, last = np.full(self.count, np.inf), np.full(self.count, -np.inf)
        np.minimum.at(first, piece_offer, start)
        np.maximum.at(last, piece_offer, end)
        return Offers(
            targets,
            np.concatenate([none, *self.target]),
            first,
            last,
            piece_offer,
            station,
            start,
            end,
            serve_offer,
            opportunity,
            length_s,
            np.concatenate([np.zeros(0, dtype=np.bool_), *self.wholes]),
        )


@dataclass(frozen=True, slots=True)
class Served:
    """Which requests stretches of antenna time would serve: ``[stretches, requests]``.

    Attributes:
        request: indices, shape ``[requests]``.
        opportunity: the best one of each request, or −1.
        length_s: the antenna time given to that.
    """

    request: IndexArray
    opportunity: IndexArray
    length_s: FloatArray


def serving(
    start: FloatArray, end: FloatArray, opportunities: Opportunities, candidates: IndexArray
) -> Served:
    """What each stretch would serve of the opportunities at its station and of its target."""
    request = np.unique(opportunities.request[candidates])
    opportunity = np.full((len(start), len(request)), -1, dtype=np.intp)
    length_s, counted_s = np.zeros((2, len(start), len(request)))
    for column, number in enumerate(request):
        mine = candidates[opportunities.request[candidates] == number]
        # In the order of time and apart from each other: only a few can meet one stretch.
        low = np.searchsorted(opportunities.usable_to[mine], start, side="right")
        high = np.searchsorted(opportunities.usable_from[mine], end, side="left")
        least_s = opportunities.requests[number].least_duration_s - ROUGHLY_S
        for step in range(int(max((high - low).max(initial=0), 0))):
            at = np.minimum(low + step, len(mine) - 1)
            counted = np.minimum(end, opportunities.usable_to[mine][at]) - np.maximum(
                start, opportunities.usable_from[mine][at]
            )
            better = (low + step < high) & (counted >= least_s) & (counted > counted_s[:, column])
            opportunity[better, column] = mine[at][better]
            counted_s[better, column] = counted[better]
            given = np.minimum(end, opportunities.last[mine][at]) - np.maximum(
                start, opportunities.first[mine][at]
            )
            length_s[better, column] = given[better]
    return Served(request, opportunity, length_s)


def sets_of(columns: list[int], urgent: set[int]) -> list[tuple[int, ...]]:
    """The sets of requests that are offered: all of them, or of many the likely ones."""
    if len(columns) <= MOST_TOGETHER:
        sizes = range(1, len(columns) + 1)
        return [each for size in sizes for each in itertools.combinations(columns, size)]
    likely = {tuple(columns), *((each,) for each in columns)}
    likely |= {tuple(each for each in columns if each != left) for left in columns}
    likely |= {tuple(each for each in columns if each in urgent)} - {()}
    likely |= {tuple(each for each in columns if each not in urgent)} - {()}
    return sorted(likely)
