"""Contacts of whole fleets: compiled where that pays, in parts that can be worked on anywhere.

A fleet's prediction is a list of tasks, each a handful of targets with all stations. Any executor
may work on them in any order: each task's result depends on nothing but the task, so that the
table put together from them is the same bit for bit (on machines of one kind).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from importlib.util import find_spec
from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from contactd.core.contacts.horizon import Horizon, horizon_of
from contactd.core.contacts.prediction import predict_track
from contactd.core.contacts.table import ContactTable, joined
from contactd.core.ground.refraction import refraction_deg
from contactd.core.ground.station import Station
from contactd.core.instants import DAY_S
from contactd.core.orbit.sgp4_track import Sgp4Track
from contactd.core.orbit.track import Track

if TYPE_CHECKING:
    from contactd.core.contacts.compiled.engine import Columns

FloatArray = NDArray[np.float64]

PAIR_DAYS_WORTH_COMPILING = 500.0
"""Below so many target-station-days the plain path is done before the compiled one has loaded."""
TARGETS_PER_TASK = 50
ROWS_WORTH_SORTING = 50_000
"""A larger table is sorted where it is made, while it is at hand: putting those of all tasks
together then reads a few streams instead of all of the memory, and each worker sorts its own."""


Piece = TypeVar("Piece")
Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Task:
    """A part of a fleet's prediction. It can be pickled if its tracks can.

    Attributes:
        compiled: whether to use the compiled path (decided once for all tasks, not by each worker).
    """

    tracks: tuple[Track, ...]
    stations: tuple[Station, ...]
    start: float
    end: float
    compiled: bool


class Executor(Protocol):
    """Works on tasks: in this process, in others, or on other machines."""

    def map(self, function: Callable[[Piece], Result], tasks: Sequence[Piece]) -> Iterable[Result]:
        """The function's result for each task, in the order of the tasks."""
        ...

    def close(self) -> None:
        """Let whoever works go."""
        ...


class InThisProcess:
    """Works on tasks here, on so many threads (the compiled path lets them run side by side)."""

    def __init__(self, threads: int = 1) -> None:
        self.threads = threads

    def map(self, function: Callable[[Piece], Result], tasks: Sequence[Piece]) -> Iterable[Result]:
        """See :class:`Executor`."""
        if self.threads < 2 or len(tasks) < 2:
            return [function(task) for task in tasks]
        from concurrent.futures import ThreadPoolExecutor

        with ThreadPoolExecutor(self.threads) as pool:
            return list(pool.map(function, tasks))

    def close(self) -> None:
        """Nobody else works here."""


def can_compile() -> bool:
    """Whether the compiled path's dependency (extra ``fleet``) is installed."""
    return find_spec("numba") is not None


def worth_compiling(targets: int, stations: int, start: float, end: float) -> bool:
    """Whether the compiled path is there and the work is large enough for it."""
    pair_days = targets * stations * (end - start) / DAY_S
    return pair_days >= PAIR_DAYS_WORTH_COMPILING and can_compile()


def predict_fleet(
    tracks: Sequence[Track],
    stations: Sequence[Station],
    start: float,
    end: float,
    executor: Executor | None = None,
    compiled: bool | None = None,
) -> ContactTable:
    """All contacts of the tracks with the stations in ``[start, end)``.

    The same table as :func:`contactd.core.contacts.prediction.predict` gives, to some hundredths of
    a millisecond at rise and set.

    Args:
        executor: who works on the tasks; by default this process on one thread.
        compiled: whether to use the compiled path; by default where it is worth it.
    """
    if compiled is None:
        compiled = worth_compiling(len(tracks), len(stations), start, end)
    tasks = tasks_of(tracks, stations, start, end, compiled)
    parts = (executor or InThisProcess()).map(predict_task, tasks)
    return gathered(list(parts), [track.name for track in tracks], stations, start, end)


def tasks_of(
    tracks: Sequence[Track],
    stations: Sequence[Station],
    start: float,
    end: float,
    compiled: bool,
    targets_per_task: int = TARGETS_PER_TASK,
) -> list[Task]:
    """The tasks that make up a fleet's prediction."""
    return [
        Task(tuple(tracks[at : at + targets_per_task]), tuple(stations), start, end, compiled)
        for at in range(0, len(tracks), targets_per_task)
    ]


def predict_task(task: Task) -> ContactTable:
    """The contacts of one task, in whatever order they come in."""
    horizons = [horizon_of(station) for station in task.stations]
    if not task.compiled:
        return joined_plain(task.tracks, horizons, task.start, task.end)
    table = _compiled(task, horizons)
    return joined([table], task.start, task.end) if len(table) > ROWS_WORTH_SORTING else table


def joined_plain(
    tracks: Sequence[Track], horizons: Sequence[Horizon], start: float, end: float
) -> ContactTable:
    """The plain path's contacts of several tracks."""
    return joined([predict_track(track, horizons, start, end) for track in tracks], start, end)


def _compiled(task: Task, horizons: list[Horizon]) -> ContactTable:
    from contactd.core.contacts.compiled import engine

    fit = [number for number, horizon in enumerate(horizons) if engine.suits(horizon)]
    quick = [number for number, track in enumerate(task.tracks) if isinstance(track, Sgp4Track)]
    tables: list[ContactTable] = []
    left_over: set[int] = set(range(len(task.tracks))) - set(quick)
    if fit and quick and task.end > task.start:
        known = [track for track in task.tracks if isinstance(track, Sgp4Track)]
        columns = engine.find(known, [horizons[number] for number in fit], task.start, task.end)
        left_over |= {quick[number] for number in columns.left_over}
        tables.append(_table(columns, task, horizons, np.array(quick), np.array(fit)))
    else:
        left_over |= set(quick)
    unfit = [horizon for horizon in horizons if not engine.suits(horizon)]
    for number in sorted(left_over):
        tables.append(predict_track(task.tracks[number], horizons, task.start, task.end))
    if unfit:
        for number in sorted(set(quick) - left_over):
            plain = predict_track(task.tracks[number], unfit, task.start, task.end)
            tables.append(replace(plain, problems=()))
    return tables[0] if len(tables) == 1 else joined(tables, task.start, task.end)


def _table(
    columns: Columns,
    task: Task,
    horizons: list[Horizon],
    targets: NDArray[np.int_],
    stations: NDArray[np.int_],
) -> ContactTable:
    values = columns.values
    values[:3] += task.start
    station = stations.astype(np.int32)[columns.station]
    for number, horizon in enumerate(horizons):
        if horizon.station.refraction:
            mine = station == number
            values[6, mine] += refraction_deg(values[6, mine])
    at_start, at_end = (columns.cuts & 1) != 0, (columns.cuts & 2) != 0
    # A cut contact begins or ends with the span itself, to the last bit.
    values[0, at_start] = task.start
    values[2, at_end] = task.end
    return ContactTable(
        start=task.start,
        end=task.end,
        targets=tuple(track.name for track in task.tracks),
        stations=tuple(horizon.station.name for horizon in horizons),
        target=targets.astype(np.int32)[columns.satellite],
        station=station,
        aos=values[0],
        tca=values[1],
        los=values[2],
        aos_azimuth_deg=values[3],
        tca_azimuth_deg=values[4],
        los_azimuth_deg=values[5],
        max_elevation_deg=values[6],
        tca_range_km=values[7],
        cut_at_start=at_start,
        cut_at_end=at_end,
    )


def gathered(
    parts: list[ContactTable],
    targets: Sequence[str],
    stations: Sequence[Station],
    start: float,
    end: float,
) -> ContactTable:
    """One table of the tasks' results, with targets and stations in the order asked for.

    ``parts`` is emptied on the way, so that large tables are not held twice.
    """
    names = ContactTable(
        start, end, targets=tuple(targets), stations=tuple(each.name for each in stations)
    )
    parts.insert(0, names)
    return joined(parts, start, end)
