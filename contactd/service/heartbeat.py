"""The sign of life to an outside watcher, as the configuration wants it."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import structlog

from contactd import __version__
from contactd.core.instants import to_text
from contactd.service.channel_makers import guard_of, trusting

if TYPE_CHECKING:
    from contactd.alerts.heartbeat import Heartbeat
    from contactd.config import Configuration
    from contactd.service.clock import Clock
    from contactd.service.store import Store

log = structlog.get_logger("contactd")


class SignOfLife:
    """Sends the sign of life while the service is well.

    Attributes:
        heart: what sends it, or None where none is wanted.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._section: Any = None
        self._next_at = 0.0
        self._sending: asyncio.Task[None] | None = None
        self._trouble = ""
        self.heart: Heartbeat | None = None

    async def follow(self, configuration: Configuration) -> None:
        """Send it as the configuration says from now on."""
        section = configuration.settings.heartbeat
        if section == self._section:
            return
        await self.close()
        self._section, self._next_at = section, 0.0
        if section is None:
            return
        from contactd.alerts.heartbeat import Heartbeat

        try:
            verify = trusting(configuration.directory, section.ca_file)
        except OSError as error:
            log.error("no sign of life can be sent", reason=str(error))
            return
        guard = guard_of(section)
        self.heart = Heartbeat(section.url, self._clock, section.timeout_s, guard, verify)

    def look(self, well: bool, store: Store) -> None:
        """Send it, if it is time and the service is well."""
        if self.heart is None or self._clock.monotonic() < self._next_at:
            return
        if self._sending is not None and not self._sending.done():
            return
        if not well:
            return
        self._next_at = self._clock.monotonic() + self._section.every_s
        self._sending = asyncio.ensure_future(self._send(self.heart, store))

    async def _send(self, heart: Heartbeat, store: Store) -> None:
        number, digest = await store.end()
        at = to_text(self._clock.now())
        await heart.beat(
            {"service": "contactd", "version": __version__, "at": at, "records": number,
             "digest": digest}
        )  # fmt: skip
        if heart.trouble != self._trouble:
            self._trouble = heart.trouble
            if heart.trouble:
                log.warning("the sign of life was not accepted", reason=heart.trouble)

    async def close(self) -> None:
        """Stop sending."""
        if self._sending is not None:
            self._sending.cancel()
            await asyncio.gather(self._sending, return_exceptions=True)
        if self.heart is not None:
            await self.heart.close()
        self.heart = None
