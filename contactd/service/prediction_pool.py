"""Where targets are predicted: in this process, in several of this machine, or on a Dask cluster.

One target is one piece of work, so that a change costs that target alone. What cannot be predicted
elsewhere, because a cluster is away or its workers die, is predicted here: late is better than not
at all.
"""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import structlog

from contactd.core.ground.station import Station
from contactd.core.outlook import TargetOutlook
from contactd.core.planning import Prediction, predict_target
from contactd.core.sequences.coverage import Conditions
from contactd.core.target import Target
from contactd.service.executors import executor_for
from contactd.service.urgency import Turns

if TYPE_CHECKING:
    from contactd.config.settings import Planning
    from contactd.core.contacts.fleet import Executor as Workers
    from contactd.core.contacts.fleet import Result
    from contactd.service.clock import Clock

HERE = 2
"""Threads that predict in this process."""
AT_ONCE_ON_A_CLUSTER = 32
RETRY_S = 60.0
"""So long predictions stay here after one failed elsewhere."""

log = structlog.get_logger("contactd.predicting")


class Work(NamedTuple):
    """One target's prediction: the arguments of :func:`predict_target`."""

    target: Target
    stations: tuple[Station, ...]
    span: tuple[float, float]
    now: float
    compiled: bool


def predict_work(work: Work, seconds: Callable[[], float] = time.perf_counter) -> Prediction:
    """The prediction, and how long it took; a module's function, so that other processes find it.

    Args:
        seconds: a clock that runs on.
    """
    begun = seconds()
    made = predict_target(*work)
    return replace(made, outlook=replace(made.outlook, predicted_in_s=seconds() - begun))


def failed_prediction(target: Target, span: tuple[float, float], error: Exception) -> Prediction:
    """What stands for a prediction that failed unexpectedly: the target says so."""
    problem = f"it could not be predicted: {error}"
    return Prediction(TargetOutlook(target.name, span, problem=problem), Conditions())


class Predicting:
    """Makes predictions where the configuration says.

    Args:
        threads: where everything is worked on that is worked on here; threads of its own if None.

    Attributes:
        elsewhere: who else works on predictions; None if all are made here.
        turns: how many targets are worked on at a time, and who is next.
    """

    def __init__(self, clock: Clock, threads: Executor | None = None) -> None:
        # One more than predict at a time: small things, as reading files, wait for no prediction.
        self.threads = threads or ThreadPoolExecutor(HERE + 1, "predict")
        self.turns = Turns(HERE)
        self._clock = clock
        self._place: tuple[str, int | None] = ("here", None)
        self.elsewhere: Workers | None = None
        self._senders: ThreadPoolExecutor | None = None
        self._here_until = -1.0

    def use(self, planning: Planning) -> None:
        """Predict where this says from now on; what is under way is finished where it is."""
        before, self._place = self._place, (planning.where, planning.workers)
        if self._place == before:
            return
        self._let_go()
        self._here_until = -1.0
        self.turns = Turns(HERE)
        if planning.where != "here":
            on_cluster = AT_ONCE_ON_A_CLUSTER if "://" in planning.where else os.cpu_count() or 1
            workers = planning.workers or on_cluster
            self.elsewhere = executor_for(planning.where, workers)
            self._senders = ThreadPoolExecutor(workers, "predict-elsewhere")
            self.turns = Turns(workers)

    async def predict(self, work: Work) -> Prediction:
        """The prediction of one target.

        Raises:
            Exception: whatever goes wrong with it in this process too.
        """
        loop, there, senders = asyncio.get_running_loop(), self.elsewhere, self._senders
        if there is not None and senders is not None and self._clock.boottime() >= self._here_until:
            try:
                return await loop.run_in_executor(senders, self._by, there, work)
            except Exception as error:  # noqa: BLE001 - whatever it is, it is tried here as well
                if self._clock.boottime() >= self._here_until:
                    self._here_until = self._clock.boottime() + RETRY_S
                    log.error(
                        "predictions cannot be made elsewhere: they are made here for a while",
                        where=self._place[0],
                        trouble=f"{type(error).__name__}: {error}",
                    )
        return await self.here(predict_work, work, self._clock.monotonic)

    def _by(self, workers: Workers, work: Work) -> Prediction:
        if self._clock.boottime() < self._here_until:
            # Others have found meanwhile that nobody is there: each would wait for that again.
            raise OSError("nobody works elsewhere at present")
        (made,) = workers.map(predict_work, [work])
        return made

    async def here(self, function: Callable[..., Result], *arguments: Any) -> Result:
        """What a function says, asked in a thread of this process."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self.threads, partial(function, *arguments))

    def close(self) -> None:
        """Let everybody go who works elsewhere; what is waiting here is dropped."""
        self.threads.shutdown(wait=False, cancel_futures=True)
        self._let_go()

    def _let_go(self) -> None:
        there, senders = self.elsewhere, self._senders
        self.elsewhere = self._senders = None
        if there is None or senders is None:
            return
        # After what is under way; nobody waits for it.
        senders.submit(there.close)
        senders.shutdown(wait=False)
