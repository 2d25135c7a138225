"""Alerts by HTTP POST of JSON.

Each request carries ``Idempotency-Key`` (the message's key; an RFC 9651 token), and where a secret
is set ``Contactd-Signature: sha256=<hex>``, the HMAC-SHA-256 of the body's bytes. The body says
when it was sent, so that a receiver can refuse what is old. Of a pair of services the one that
leads sends ``Contactd-Fence: <number>``, which only grows: who refuses a lower number than the
highest that it has seen hears nothing more from a leader that was followed.

Sources: RFC 2104 (HMAC), FIPS 180-4 (SHA-256).
"""

from __future__ import annotations

import hashlib
import hmac
import json
from typing import TYPE_CHECKING

from contactd.alerts.http_post import Poster
from contactd.alerts.notification import Notification, payload

if TYPE_CHECKING:
    import ssl

    from contactd.alerts.address_filter import Guard


def signature(secret: bytes, body: bytes) -> str:
    """``sha256=`` and the HMAC-SHA-256 of the body in lower-case hexadecimal."""
    return "sha256=" + hmac.new(secret, body, hashlib.sha256).hexdigest()


class WebhookChannel:
    """Posts each message to one URL. Redirects are not followed.

    Args:
        secret: key of the signature, or None for none.
        timeout_s: for connecting, and for each wait on the network.
        guard: which addresses may be connected to; None for any.
        verify: how the server's certificate is checked; None for the usual way.
    """

    def __init__(
        self,
        name: str,
        url: str,
        secret: bytes | None = None,
        timeout_s: float = 10.0,
        guard: Guard | None = None,
        verify: ssl.SSLContext | None = None,
    ) -> None:
        self.name = name
        self._url = url
        self._secret = secret
        self._poster = Poster(name, timeout_s, guard, verify)

    async def send(self, notification: Notification) -> None:
        """Post the message; an answer of 2xx accepts it."""
        body = json.dumps(payload(notification), ensure_ascii=False, separators=(",", ":")).encode()
        headers = {"Content-Type": "application/json", "Idempotency-Key": notification.key}
        if notification.fence:
            headers["Contactd-Fence"] = str(notification.fence)
        if self._secret is not None:
            headers["Contactd-Signature"] = signature(self._secret, body)
        await self._poster.post(self._url, body, headers)

    async def close(self) -> None:
        """Close the connections."""
        await self._poster.close()
