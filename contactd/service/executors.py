"""Who works on a fleet's prediction: this process, several, or a Dask cluster.

Each is the same small thing to the heart (:class:`contactd.core.contacts.fleet.Executor`): results
of tasks in the order of the tasks. The result is the same bit for bit whoever works; a worker that
dies in the middle loses nothing, since its tasks are given out again.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self

if TYPE_CHECKING:
    from contactd.core.contacts.fleet import Executor, Piece, Result

CONNECT_WITHIN_S: Final = 10.0

MOST_DEATHS: Final = 3
"""How often a pool may lose a worker before the work is given up: a task may be what kills it."""

# Each worker keeps to one thread: the work is shared out by processes already.
_ONE_THREAD: Final = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "NUMBA_NUM_THREADS",
)
_STARTING: Final = threading.Lock()
"""The environment is the whole process's: one thread at a time starts workers in it."""


class ProcessPool:
    """Works on tasks in processes of this machine.

    Args:
        workers: how many; by default one for each processor.

    Use it as a context, or :meth:`close` it: the workers stay for the next call.
    """

    def __init__(self, workers: int | None = None) -> None:
        self.workers = workers or os.cpu_count() or 1
        self._pool: ProcessPoolExecutor | None = None
        self._lock = threading.Lock()

    def map(self, function: Callable[[Piece], Result], tasks: Sequence[Piece]) -> Iterable[Result]:
        """The function's result for each task, in the order of the tasks; for several threads.

        Raises:
            BrokenProcessPool: if workers die again and again.
        """
        done: dict[int, Result] = {}
        deaths = 0
        while len(done) < len(tasks):
            left = [number for number in range(len(tasks)) if number not in done]
            futures: dict[int, Future[Result]] = {}
            pool = self._workers()
            try:
                with _STARTING, _one_thread_each():
                    for number in left:
                        futures[number] = pool.submit(function, tasks[number])
                for number, future in futures.items():
                    done[number] = future.result()
            except BrokenProcessPool:
                # What was finished before the worker died is kept; the rest is given out again.
                for number, future in futures.items():
                    if future.done() and future.exception() is None:
                        done[number] = future.result()
                self._give_up(pool)
                deaths += 1
                if deaths > MOST_DEATHS:
                    raise
        return [done[number] for number in range(len(tasks))]

    def close(self) -> None:
        """Let the workers go."""
        with self._lock:
            pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)

    def _give_up(self, broken: ProcessPoolExecutor) -> None:
        """Let a pool go that lost a worker, unless another thread has done so already."""
        with self._lock:
            if self._pool is broken:
                self._pool = None
        broken.shutdown(wait=False, cancel_futures=True)

    def process_ids(self) -> tuple[int, ...]:
        """The workers that there are now."""
        processes: dict[int, Any] = getattr(self._pool, "_processes", None) or {}
        return tuple(processes)

    def _workers(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._pool is None:
                # Fresh interpreters: a fork of a process with threads may hang.
                context = multiprocessing.get_context("spawn")
                self._pool = ProcessPoolExecutor(
                    self.workers, mp_context=context, initializer=_leave_interrupts
                )
            return self._pool

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class DaskCluster:
    """Works on tasks on an existing Dask cluster (extra ``fleet``).

    Args:
        address: the scheduler's address, such as ``tcp://scheduler.example:8786``.

    The scheduler gives a dead worker's tasks to another one by itself.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self._client: Any = None
        self._lock = threading.Lock()

    def map(self, function: Callable[[Piece], Result], tasks: Sequence[Piece]) -> Iterable[Result]:
        """The function's result for each task, in the order of the tasks; for several threads.

        Raises:
            OSError: if the cluster cannot be reached, or went away meanwhile.
        """
        client = self._connected()
        try:
            futures = client.map(function, list(tasks), pure=False)
            results: list[Result] = client.gather(futures)
        except (asyncio.CancelledError, CancelledError) as error:
            self._drop(client)
            raise OSError(f"the cluster at {self.address} went away") from error
        return results

    def close(self) -> None:
        """Leave the cluster; it goes on without us."""
        self._drop(self._client)

    def _connected(self) -> Any:
        with self._lock:
            if self._client is None:
                import distributed

                connect: Any = distributed.Client
                self._client = connect(self.address, set_as_default=False, timeout=CONNECT_WITHIN_S)
            return self._client

    def _drop(self, client: Any) -> None:
        with self._lock:
            if client is None or self._client is not client:
                return
            self._client = None
        client.close(timeout=CONNECT_WITHIN_S)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def executor_for(where: str, workers: int | None = None) -> Executor:
    """The executor that a configuration names.

    Args:
        where: ``here``, ``processes``, or the address of a Dask scheduler.
        workers: threads here, or processes.

    Raises:
        ValueError: for anything else.
        ModuleNotFoundError: for a cluster without the extra ``fleet``.
    """
    if where == "here":
        from contactd.core.contacts.fleet import InThisProcess

        return InThisProcess(workers or 1)
    if where == "processes":
        return ProcessPool(workers)
    if "://" in where:
        return DaskCluster(where)
    raise ValueError(f"{where!r} is neither here, nor processes, nor tcp://host:port")


def _leave_interrupts() -> None:
    """An interrupt at the terminal is the service's to heed: it lets its workers go itself."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Workers that start inside keep their libraries to one thread."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
