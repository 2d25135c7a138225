"""Station time as a mixed-integer program with free cut times: an independent reference.

Every contact of every request has a start and an end anywhere within its coverage; two of them at
one antenna, or of one request, follow each other one way or the other. Nothing is taken from
``contactd.core.allocation`` but the words of its requests: no cuts, no offers, no points.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import lil_matrix

from contactd.core.allocation.request import Request
from contactd.core.ground.station import Station

Window = tuple[float, float]


@dataclass(frozen=True)
class Task:
    """One request in one time in view at one station."""

    request: Request
    station: str
    window: Window
    taken: int
    start: int
    end: int


@dataclass
class FreeCuts:
    """The program: variables by number, rows of coefficients with their least value."""

    windows: Callable[[Request, str], Sequence[Window]]
    requests: Sequence[Request]
    stations: Mapping[str, Station]
    late: Mapping[tuple[str, str], tuple[float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.kinds: list[int] = []
        self.low: list[float] = []
        self.high: list[float] = []
        self.rows: list[tuple[dict[int, float], float]] = []
        self.tasks: list[Task] = []
        self.between: list[tuple[Task, Task, int, float]] = []
        every = [w for r in self.requests for s in self.stations for w in self.windows(r, s)]
        self.base = min((each[0] for each in every), default=0.0)
        self.big = max((each[1] for each in every), default=0.0) - self.base + 1e5
        for request in self.requests:
            for station in self.stations:
                for window in self.windows(request, station):
                    if window[1] - window[0] >= request.least_duration_s - 1e-9:
                        self._task(request, station, window)
        for one, other in itertools.combinations(self.tasks, 2):
            self._apart(one, other)
        for request in self.requests:
            self._counted(request)

    def variable(self, low: float, high: float, whole: bool) -> int:
        self.kinds.append(int(whole))
        self.low.append(low)
        self.high.append(high)
        return len(self.kinds) - 1

    def row(self, coefficients: dict[int, float], least: float) -> None:
        self.rows.append((coefficients, least))

    def _task(self, request: Request, station: str, window: Window) -> None:
        opens, closes = window[0] - self.base, window[1] - self.base
        taken = self.variable(0, 1, True)
        start, end = self.variable(opens, closes, False), self.variable(opens, closes, False)
        self.tasks.append(Task(request, station, window, taken, start, end))
        self.row({end: 1, start: -1, taken: -request.least_duration_s}, 0.0)

    def _apart(self, one: Task, other: Task) -> None:
        place = self.stations[one.station]
        gap_s, spacing_s = place.setup_s + place.teardown_s, one.request.least_spacing_s
        if spacing_s is None and one.request.count is not None:
            spacing_s = 0.0
        same = one.request is other.request
        joined = -1
        if one.station == other.station:
            if one.request.target == other.request.target and not same:
                joined = self.variable(0, 1, True)
                self.row({one.taken: 1, joined: -1}, 0.0)
                self.row({other.taken: 1, joined: -1}, 0.0)
                self._none_between(one, other, joined, gap_s)
            self._one_after_the_other(one, other, gap_s, joined)
        if same and spacing_s is not None:
            self._one_after_the_other(one, other, spacing_s, -1)

    def _one_after_the_other(self, one: Task, other: Task, gap_s: float, joined: int) -> None:
        first = self.variable(0, 1, True)
        free = {one.taken: -self.big, other.taken: -self.big}
        if joined >= 0:
            free[joined] = self.big
        # start of the later − end of the sooner ≥ gap, unless not both are taken, or joined.
        self.row({other.start: 1, one.end: -1, first: -self.big, **free}, gap_s - 3 * self.big)
        self.row({one.start: 1, other.end: -1, first: self.big, **free}, gap_s - 2 * self.big)

    def _none_between(self, one: Task, other: Task, joined: int, gap_s: float) -> None:
        """What one grant serves together, nothing else comes between."""
        self.between.append((one, other, joined, gap_s))

    def finish(self) -> None:
        for one, other, joined, gap_s in self.between:
            for third in self.tasks:
                if third.station != one.station or third.request.target == one.request.target:
                    continue
                before = self.variable(0, 1, True)
                free = {joined: -self.big, third.taken: -self.big}
                for each in (one, other):
                    self.row(
                        {each.start: 1, third.end: -1, before: -self.big, **free},
                        gap_s - 3 * self.big,
                    )
                    self.row(
                        {third.start: 1, each.end: -1, before: self.big, **free},
                        gap_s - 2 * self.big,
                    )

    def _counted(self, request: Request) -> None:
        if request.count is not None:
            mine = {each.taken: -1.0 for each in self.tasks if each.request is request}
            if mine:
                self.row(mine, -float(request.count))

    def solve(self, objectives: Sequence[dict[int, float]]) -> list[float]:
        """The best value of each objective, one after the other, the earlier ones held."""
        self.finish()
        found: list[float] = []
        for objective in objectives if self.kinds else ():
            matrix = lil_matrix((len(self.rows), len(self.kinds)))
            for number, (coefficients, _) in enumerate(self.rows):
                for column, value in coefficients.items():
                    matrix[number, column] += value
            cost = np.zeros(len(self.kinds))
            for column, value in objective.items():
                cost[column] -= value
            answer = milp(
                cost,
                constraints=LinearConstraint(
                    matrix.tocsr(), np.array([least for _, least in self.rows]), np.inf
                ),
                bounds=Bounds(np.array(self.low), np.array(self.high)),
                integrality=np.array(self.kinds),
                options={"mip_rel_gap": 0.0},
            )
            assert answer.status == 0, answer.message
            found.append(-answer.fun)
            self.row(dict(objective), -answer.fun - 1e-4)
        return found or [0.0] * len(objectives)

    def contacts(self, wanted: Callable[[Request], bool]) -> dict[int, float]:
        """The objective that counts contacts of some requests, each by its priority."""
        return {t.taken: float(t.request.priority) for t in self.tasks if wanted(t.request)}

    def served(self, wanted: Callable[[Request], bool]) -> dict[int, float]:
        """The objective that counts contacts of some requests, each once."""
        return {t.taken: 1.0 for t in self.tasks if wanted(t.request)}
