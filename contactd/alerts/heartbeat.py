"""A sign of life to an outside watcher, who raises the alarm when it stays away.

It is sent only while the service is well, so that a service that runs but no longer watches is
noticed too. It carries the number and digest of the last record, which makes the watcher a witness
of how far the ledger had come.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from contactd.alerts.circuit import Clock
from contactd.alerts.http_post import Poster
from contactd.core.errors import DeliveryError

if TYPE_CHECKING:
    import ssl

    from contactd.alerts.address_filter import Guard


class Heartbeat:
    """Posts signs of life to one address.

    Attributes:
        sent_at: instant (s) of the last sign that was accepted, or None.
        trouble: why the last one was not, or "".
    """

    def __init__(
        self,
        url: str,
        clock: Clock,
        timeout_s: float = 10.0,
        guard: Guard | None = None,
        verify: ssl.SSLContext | None = None,
    ) -> None:
        self._url = url
        self._clock = clock
        self._poster = Poster("heartbeat", timeout_s, guard, verify)
        self.sent_at: float | None = None
        self.trouble = ""

    async def beat(self, state: Mapping[str, Any]) -> None:
        """Send one sign of life with a state, as JSON values. Never raises for the network."""
        now = self._clock.now()
        body = json.dumps(state).encode()
        try:
            await self._poster.post(self._url, body, {"Content-Type": "application/json"})
        except DeliveryError as error:
            self.trouble = error.reason
        else:
            self.sent_at, self.trouble = now, ""

    async def close(self) -> None:
        """Close the connections."""
        await self._poster.close()
