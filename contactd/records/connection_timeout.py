"""Connections to PostgreSQL that do not wait for ever for a server that has fallen silent.

When the network between swallows everything, neither end hears of it: the operating system goes on
hoping for a quarter of an hour. Here a wait in which the server says nothing for ``silence_s`` ends
the connection.
"""

from __future__ import annotations

import selectors
from collections.abc import Generator
from time import monotonic
from typing import Any

import psycopg

LOOK_S = 1.0


class PatientConnection(psycopg.Connection[Any]):
    """A connection whose waits for the server have an end.

    Attributes:
        silence_s: how long a wait may last in which the server says nothing (s).
    """

    silence_s: float = 5.0

    def wait(self, gen: Generator[Any, Any, Any], *_: Any, **__: Any) -> Any:
        """Run one exchange with the server to its end.

        Raises:
            psycopg.OperationalError: if the server is silent for too long; the connection is over.
        """
        # As the library's own wait, with an end: the exchange says what it waits for, and is told
        # what has come of that (0: nothing yet).
        try:
            wanted = next(gen)
            with selectors.DefaultSelector() as selector:
                selector.register(self.pgconn.socket, wanted)
                heard_at = monotonic()
                while True:
                    left_s = heard_at + self.silence_s - monotonic()
                    found = selector.select(max(min(left_s, LOOK_S), 0.0))
                    if found:
                        heard_at = monotonic()
                    elif left_s <= 0.0:
                        self.pgconn.finish()
                        raise psycopg.OperationalError(
                            f"the server has said nothing for {self.silence_s:g} s"
                        )
                    following = gen.send(found[0][1] if found else 0)
                    if found and following != wanted:
                        wanted = following
                        selector.modify(self.pgconn.socket, wanted)
        except StopIteration as done:
            return done.value
