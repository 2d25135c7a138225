"""The ledger as the daemon uses it: off the event loop, and never in the way of watching.

While the ledger cannot be written, new records are held in memory (bounded) and count at once; they
are written, in order, as soon as it works again.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import structlog

from contactd.core.errors import LeadLost, LedgerError
from contactd.core.record import Record
from contactd.records.chain import refusal
from contactd.records.ledger import MOST_AT_ONCE

if TYPE_CHECKING:
    from contactd.records import Ledger

log = structlog.get_logger("contactd.store")

MOST_HELD = 20_000
READ_AT_ONCE = 5_000


class LedgerLike(Protocol):
    """What the daemon needs of a ledger: see :class:`contactd.records.Ledger`."""

    def append(self, records: Sequence[Record]) -> list[Record]:
        """Store records, all or none."""
        ...

    def since(self, number: int, limit: int) -> list[Record]:
        """The records after a number."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


class Store:
    """Reads news from the ledger and writes to it, in one thread of its own.

    Attributes:
        number: of the last record read.
        trouble: what is wrong with the ledger at present, or "".
        dropped: records lost because more than ``MOST_HELD`` had to be held, or because no ledger
            would store them.
        fence: under which the service writes what it finds itself; None where it is alone.
        damage: what is known of damage to the ledger's file, or "".
        is_fenced_out: somebody else was found to lead when something was to be written.

    Args:
        thread: where the ledger is read and written; one of its own by default.
        is_alone: nobody else writes to the ledger, so that it is only read after it was written.
        file: the ledger's, where it is one that is to be looked after.
    """

    def __init__(
        self,
        ledger: LedgerLike,
        thread: Executor | None = None,
        *,
        is_alone: bool = False,
        file: Path | None = None,
    ) -> None:
        self._ledger = ledger
        self._is_alone = is_alone
        self.file = file
        self._may_have_news = True
        self._thread = thread or ThreadPoolExecutor(1, thread_name_prefix="ledger")
        self._held: deque[Record] = deque()
        self._held_identities: set[str] = set()
        self.number = 0
        self.trouble = ""
        self.damage = ""
        self.dropped = 0
        self.fence: int | None = None
        self.is_fenced_out = False

    @property
    def is_still(self) -> bool:
        """Whether there is certainly nothing to read or write, because nobody else writes."""
        return self._is_alone and not self._held and not self._may_have_news and not self.trouble

    @property
    def held(self) -> Sequence[Record]:
        """Records that are not yet in the ledger, oldest first."""
        return tuple(self._held)

    def hold(self, records: Sequence[Record]) -> None:
        """Keep records, which the next exchange writes, after those that are held already."""
        for record in records:
            if record.identity and record.identity in self._held_identities:
                continue
            # One that no ledger would ever store must not keep the others waiting.
            reason = refusal(record)
            if reason:
                log.error("a record was refused", kind=record.kind, reason=reason)
            if reason or len(self._held) >= MOST_HELD:
                self.dropped += 1
                continue
            self._held.append(record)
            if record.identity:
                self._held_identities.add(record.identity)

    async def exchange(self, records: Sequence[Record] = ()) -> list[Record]:
        """Write what is held and what is given; return all that is new in the ledger.

        Never raises for trouble with the ledger: then what is given is held, and ``trouble`` says
        what is wrong.
        """
        self.hold(records)
        if self.is_still:
            return []
        try:
            written, news = await asyncio.get_running_loop().run_in_executor(
                self._thread, self._exchange, tuple(self._held), self.number, self.fence
            )
        except LedgerError as error:
            self.trouble = str(error)
            self.is_fenced_out = isinstance(error, LeadLost)
            return []
        self.trouble = ""
        for _ in range(written):
            self._held_identities.discard(self._held.popleft().identity)
        self._may_have_news = bool(self._held) or len(news) == READ_AT_ONCE
        if news:
            self.number = news[-1].number
        return news

    async def lead(self, fence: int) -> None:
        """Write under this fence from now on, having brought the ledger up to date under it.

        Raises:
            LedgerError: if that cannot be done, or the lead is lost already.
        """
        ledger: Ledger = self._ledger  # type: ignore[assignment]
        await asyncio.get_running_loop().run_in_executor(self._thread, ledger.lead, fence)
        self.fence, self.is_fenced_out = fence, False

    def follow(self) -> int:
        """Let go of the fence, and of what is held: whoever leads now finds the same itself.

        Not while an exchange is under way. Returns how many records were let go of.
        """
        count = len(self._held)
        self._held.clear()
        self._held_identities.clear()
        self.fence, self.trouble, self.is_fenced_out = None, "", False
        return count

    async def append(self, records: Sequence[Record]) -> list[Record]:
        """Write what people state, all or none; the next exchange reads it back.

        Raises:
            LedgerError: if they cannot be written; nothing is held then.
        """
        loop = asyncio.get_running_loop()
        stored = await loop.run_in_executor(self._thread, self._ledger.append, tuple(records))
        self._may_have_news = True
        return stored

    async def end(self) -> tuple[int, str]:
        """Number and digest of the last record; 0 and "" while the ledger cannot be read."""
        end = getattr(self._ledger, "end", None)
        if end is None:
            return self.number, ""
        try:
            loop = asyncio.get_running_loop()
            number, digest = await loop.run_in_executor(self._thread, end)
        except LedgerError:
            return 0, ""
        return number, digest

    def close(self) -> None:
        """Finish what is being written and let go of the ledger."""
        self._thread.shutdown(wait=True)
        self._ledger.close()

    def _exchange(
        self, held: tuple[Record, ...], number: int, fence: int | None
    ) -> tuple[int, list[Record]]:
        batch = held[:MOST_AT_ONCE]
        if batch:
            under: dict[str, Any] = {} if fence is None else {"fence": fence}
            self._ledger.append(batch, **under)
        return len(batch), self._ledger.since(number, READ_AT_ONCE)
