"""Live change: one stream of server-sent events per open page.

Two events: ``beat`` every :data:`BEAT_S` with the service's own time, so that a page knows within
seconds that it has lost the service; and ``change`` whenever the snapshot shows something new. A
page that reads slowly misses beats, never the latest state: nothing is queued for it.

Source: the event stream format of the HTML standard, section 9.2.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

from contactd.core import instants
from contactd.faces.http.payloads import Payloads, as_json
from contactd.faces.http.problems import Problem
from contactd.faces.http.view import View

BEAT_S = 1.5
LOOK_S = 0.25
MOST_LISTENERS = 64


class Changes:
    """The streams that are open."""

    def __init__(self, view: View, payloads: Payloads) -> None:
        self._view = view
        self._payloads = payloads
        self.listeners = 0

    def check_room(self) -> None:
        """Refuse one listener too many, before a stream is opened for it.

        Raises:
            Problem: 429 when as many streams are open as are allowed.
        """
        if self.listeners >= MOST_LISTENERS:
            raise Problem(
                429, "too-many", f"{MOST_LISTENERS} pages listen already", {"Retry-After": "30"}
            )

    async def listen(self) -> AsyncIterator[bytes]:
        """The events for one listener, until it goes away."""
        self.listeners += 1
        try:
            yield b"retry: 1000\n\n"
            shown, since_beat = None, BEAT_S
            while True:
                version, snapshot = self._payloads.present()
                if version != shown:
                    shown = version
                    yield _event("change", {"version": version, "ledger_at": snapshot.ledger_at})
                if since_beat >= BEAT_S:
                    since_beat = 0.0
                    yield _event("beat", self._beat(version, snapshot.at))
                await asyncio.sleep(LOOK_S)
                since_beat += LOOK_S
        finally:
            self.listeners -= 1

    def _beat(self, version: int, at: float) -> dict[str, Any]:
        health = self._view.health()
        return {
            "now": instants.to_text(self._view.now(), 3),
            "at": instants.to_text(at, 3),
            "version": version,
            "live": health.live,
            "ready": health.ready,
            "reasons": list(health.reasons),
            "notice": self._view.notice(),
        }


def _event(name: str, data: dict[str, Any]) -> bytes:
    return b"event: " + name.encode() + b"\ndata: " + as_json(data) + b"\n\n"
