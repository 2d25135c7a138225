"""Keeps the ledger and the watch together, and the watch from waiting for the ledger."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import structlog

from contactd.service.events import Event, Learned
from contactd.service.store import Store

SILENT = "the ledger does not answer: another process holds it locked, or its disk is slow"
SILENT_S = 2.0
"""So long an exchange may last until it is said that the ledger does not answer."""

log = structlog.get_logger("contactd.store")

GRACE_S = 0.2
"""So long the watch waits for the ledger. What takes longer is told from memory, and recorded when
the ledger has come to it."""


class LedgerKeeper:
    """Exchanges with the ledger, one exchange at a time.

    Args:
        post: has events taken by the watch.
        fenced_out: told when another service was found to lead.
    """

    def __init__(
        self, store: Store, post: Callable[[Event], None], fenced_out: Callable[[], None]
    ) -> None:
        self.store = store
        self._post = post
        self._fenced_out = fenced_out
        self._turn = asyncio.Lock()
        self._next: asyncio.Future[int] | None = None
        self._keeping: asyncio.Task[None] | None = None

    def ask(self) -> asyncio.Future[int]:
        """Have what is held written, and what is new read.

        Returns:
            done when an exchange that begins after this has ended: how many records were new.
        """
        if self._next is None:
            self._next = asyncio.get_running_loop().create_future()
        if self._keeping is None or self._keeping.done():
            self._keeping = asyncio.create_task(self._keep())
        return self._next

    async def settle(self) -> None:
        """Exchange, but go on after :data:`GRACE_S` whatever the ledger does."""
        await asyncio.wait((self.ask(),), timeout=GRACE_S)

    async def exchange(self) -> int:
        """Exchange, however long it takes; how many records were new."""
        return await asyncio.shield(self.ask())

    async def lead(self, fence: int) -> None:
        """Write under a fence from now on.

        Raises:
            LedgerError: if that cannot be done, or the lead is lost already.
        """
        async with self._turn:
            await self.store.lead(fence)

    async def follow(self) -> int:
        """Let go of the fence and of what is held; how many records that was."""
        async with self._turn:
            return self.store.follow()

    def _say_silent(self) -> None:
        """It is locked, or its disk is slow: that is trouble before the attempt has failed."""
        self.store.trouble = self.store.trouble or SILENT
        self._post(Learned())

    async def _keep(self) -> None:
        while self._next is not None:
            count = 0
            asked, self._next = self._next, None
            try:
                async with self._turn:
                    bell = asyncio.get_running_loop().call_later(SILENT_S, self._say_silent)
                    try:
                        news = await self.store.exchange()
                    finally:
                        bell.cancel()
                    count = len(news)
                    self._post(Learned(news))
                if self.store.is_fenced_out:
                    self._fenced_out()
            except Exception:
                log.exception("an exchange with the ledger failed")
            finally:
                if not asked.done():
                    asked.set_result(count)
