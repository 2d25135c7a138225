"""The virtual loop, one callback at a time, so that it can be cut off after any of them."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Coroutine
from typing import Any, TypeVar

from contactd.service.virtual_loop import VirtualLoop

Result = TypeVar("Result")
GRAVEYARD: list[object] = []
"""What was running when it was killed: collecting it would run its clean-up after all."""


class Killed(BaseException):
    """The process was killed at this point."""


class MortalLoop(VirtualLoop):
    """``kill_after`` so many callbacks it raises :class:`Killed`."""

    def __init__(self) -> None:
        super().__init__()
        self.kill_after: int | None = None
        self.callbacks = 0
        self.set_exception_handler(self._remember)
        self.complaints: list[str] = []

    def kill(self) -> None:
        """Let go of everything at once: nothing gets to clean up, now or when it is collected."""
        GRAVEYARD.append((asyncio.all_tasks(self), list(self._ready), list(self._scheduled)))
        self._ready.clear()
        self._scheduled.clear()

    def _remember(self, _loop: Any, context: dict[str, Any]) -> None:
        self.complaints.append(str(context.get("exception") or context.get("message")))

    def _run_once(self) -> None:
        if self.kill_after is not None and self.callbacks >= self.kill_after:
            raise Killed
        self.callbacks += 1
        ready: deque[Any] = self._ready
        rest: deque[Any] = deque()
        while len(ready) > 1:
            rest.appendleft(ready.pop())
        super()._run_once()
        rest.extend(ready)
        ready.clear()
        ready.extend(rest)


def run_until(loop: MortalLoop, main: Coroutine[Any, Any, Result]) -> Result:
    """Run a coroutine on the loop; :class:`Killed` goes through."""
    asyncio.set_event_loop(loop)
    try:
        return loop.run_until_complete(main)
    finally:
        asyncio.set_event_loop(None)
