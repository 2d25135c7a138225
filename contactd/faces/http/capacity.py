"""How many requests are worked on at once: readers beyond that are told to come again, at once.

A reader who waits in a queue holds a connection and gets an answer that is old when it comes. What
operators enter, the stream of changes and the service's health have room of their own.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

import anyio
from anyio.to_thread import current_default_thread_limiter, run_sync
from starlette.types import ASGIApp, Receive, Scope, Send

from contactd.faces.http.problems import Problem

THREADS = 2
"""Threads that answer: more would take the interpreter's lock from the watch more often."""
MOST_READING = 16
MOST_ENTERING = 32
AGAIN_AFTER_S = 1
APART = ("/health/", "/api/v1/changes", "/metrics", "/static/")
"""Paths that cost next to nothing, or that have a limit of their own."""

Answer = TypeVar("Answer")


class Capacity:
    """Refuses what there is no room for, before anything is done for it."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app
        self._busy = {True: 0, False: 0}
        self._is_set_up = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http" or scope["path"].startswith(APART):
            await self.app(scope, receive, send)
            return
        reads = scope["method"] in ("GET", "HEAD")
        if self._busy[reads] >= (MOST_READING if reads else MOST_ENTERING):
            detail = f"too many ask at once: ask again in {AGAIN_AFTER_S} s"
            problem = Problem(503, "busy", detail, {"Retry-After": str(AGAIN_AFTER_S)})
            await problem.response(scope["path"])(scope, receive, send)
            return
        if not self._is_set_up:
            # It belongs to the event loop, which is there with the first request only.
            current_default_thread_limiter().total_tokens = THREADS
            self._is_set_up = True
        self._busy[reads] += 1
        try:
            await self.app(scope, receive, send)
        finally:
            self._busy[reads] -= 1


_entering, _scraping = anyio.CapacityLimiter(1), anyio.CapacityLimiter(1)


async def for_an_entry(function: Callable[..., Answer], *arguments: Any) -> Answer:
    """What a function says, asked in a thread that readers cannot take."""
    return await run_sync(partial(function, *arguments), limiter=_entering)


async def for_a_scraper(function: Callable[..., Answer], *arguments: Any) -> Answer:
    """The same, for the metrics."""
    return await run_sync(partial(function, *arguments), limiter=_scraping)
