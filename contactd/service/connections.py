"""Connections that say nothing, or say it slowly, do not shut the door for others.

A connection is *unspoken* until the head of a request has come whole. Each has a deadline; only so
many are kept, of one address and in all, and the oldest goes first: whoever really asks has spoken
within milliseconds.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_WITHIN_S = 10.0
MOST_UNSPOKEN = 512
MOST_UNSPOKEN_OF_ONE = 128
"""Of one address: as many as may arrive at once, before the first of them is heard."""


class Unspoken:
    """The connections of a server that have not yet said what they want, oldest first."""

    def __init__(self) -> None:
        self._addresses: dict[HeardProtocol, str] = {}
        self._count: Counter[str] = Counter()

    def add(self, connection: HeardProtocol, address: str) -> None:
        """Keep one more; the oldest goes where there are too many."""
        self._addresses[connection] = address
        self._count[address] += 1
        if self._count[address] > MOST_UNSPOKEN_OF_ONE:
            self._drop(next(each for each, its in self._addresses.items() if its == address))
        elif len(self._addresses) > MOST_UNSPOKEN:
            self._drop(next(iter(self._addresses)))

    def remove(self, connection: HeardProtocol) -> None:
        """It has spoken, or is gone."""
        address = self._addresses.pop(connection, None)
        if address is not None:
            self._count[address] -= 1
            if not self._count[address]:
                del self._count[address]

    def _drop(self, connection: HeardProtocol) -> None:
        self.remove(connection)
        connection.hang_up()


class HeardProtocol(H11Protocol):
    """HTTP/1.1 with a deadline for each request's head; ``unspoken`` is set by its server."""

    unspoken: Unspoken
    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """A connection has come."""
        super().connection_made(transport)
        self._listen()

    def data_received(self, data: bytes) -> None:
        """Something was said."""
        super().data_received(data)
        if self.conn.their_state is not h11.IDLE:
            self._heard()
        elif self._deadline is None and self.conn.trailing_data[0]:
            self._listen()

    def connection_lost(self, exc: Exception | None) -> None:
        """The connection is gone."""
        self._heard()
        super().connection_lost(exc)

    def hang_up(self) -> None:
        """Close it."""
        self._heard()
        self.transport.close()

    def _listen(self) -> None:
        self._deadline = self.loop.call_later(HEAD_WITHIN_S, self.hang_up)
        self.unspoken.add(self, self.client[0] if self.client else "")

    def _heard(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None
        self.unspoken.remove(self)


def protocol() -> type[Any]:
    """The protocol of one server, with its own connections."""
    return type("HeardProtocol", (HeardProtocol,), {"unspoken": Unspoken()})
