"""An event loop whose time is a number: it never waits.

Real code runs on it unchanged, as fast as the machine can; the order of all callbacks is the same
each time. Nothing that really waits (sockets, threads) may be used on it.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any, TypeVar

Result = TypeVar("Result")


class _Patience(selectors.SelectSelector):
    """Instead of waiting for something to read, lets virtual time pass."""

    now = 0.0

    def select(self, timeout: float | None = None) -> list[Any]:
        assert timeout is not None, "everybody waits for something that never comes"
        self.now += max(timeout, 0.0)
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """See the module."""

    def __init__(self) -> None:
        self._patience = _Patience()
        super().__init__(self._patience)

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._patience.now


class Inline(Executor):
    """Runs what it is given at once, in the same thread."""

    def submit(self, work: Callable[..., Result], /, *args: Any, **named: Any) -> Future[Result]:
        """A future that is done already."""
        future: Future[Result] = Future()
        try:
            future.set_result(work(*args, **named))
        except Exception as error:  # noqa: BLE001 - it belongs to whoever asked
            future.set_exception(error)
        return future
