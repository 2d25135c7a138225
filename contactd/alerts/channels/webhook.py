"""Alerts by HTTP POST of JSON.

Each request carries ``Idempotency-Key`` (the message's key; an RFC 9651 token), and where a secret
is set ``Contactd-Signature: sha256=<hex>``, the HMAC-SHA-256 of the body's bytes. The body says
when it was sent, so that a receiver can refuse what is old.

Sources: RFC 2104 (HMAC), FIPS 180-4 (SHA-256); RFC 9110 section 15 for what an answer means and
10.2.3 for Retry-After.
"""

from __future__ import annotations

import email.utils
import hashlib
import hmac
import json
import re
from typing import TYPE_CHECKING

from contactd import __version__
from contactd.alerts.message import ChannelBusy, Message, payload
from contactd.core.errors import DeliveryError
from contactd.core.instants import from_utc

if TYPE_CHECKING:
    import httpx

MOST_ANSWER_BYTES = 65_536
_RETRY = frozenset({408, 425, 429})
_BUSY = frozenset({429, 503})


def signature(secret: bytes, body: bytes) -> str:
    """``sha256=`` and the HMAC-SHA-256 of the body in lower-case hexadecimal."""
    return "sha256=" + hmac.new(secret, body, hashlib.sha256).hexdigest()


class WebhookChannel:
    """Posts each message to one URL. Redirects are not followed.

    Args:
        secret: key of the signature, or None for none.
        timeout_s: for connecting, and for each wait on the network.
    """

    def __init__(
        self, name: str, url: str, secret: bytes | None = None, timeout_s: float = 10.0
    ) -> None:
        self.name = name
        self._url = url
        self._secret = secret
        self._timeout_s = timeout_s
        self._client: httpx.AsyncClient | None = None

    async def send(self, message: Message) -> None:
        """Post the message; an answer of 2xx accepts it."""
        import httpx

        body = json.dumps(payload(message), ensure_ascii=False, separators=(",", ":")).encode()
        headers = {
            "Content-Type": "application/json",
            "Idempotency-Key": message.key,
            "User-Agent": f"contactd/{__version__}",
        }
        if self._secret is not None:
            headers["Contactd-Signature"] = signature(self._secret, body)
        if self._client is None:
            self._client = httpx.AsyncClient(timeout=self._timeout_s, follow_redirects=False)
        try:
            async with self._client.stream(
                "POST", self._url, content=body, headers=headers
            ) as answer:
                await self._drain(answer)
                self._judge(answer, message.at)
        except httpx.InvalidURL as error:
            raise DeliveryError(self.name, f"its URL cannot be used: {error}", False) from error
        except (httpx.UnsupportedProtocol, httpx.LocalProtocolError) as error:
            raise DeliveryError(self.name, str(error), False) from error
        except httpx.HTTPError as error:
            reason = str(error) or type(error).__name__
            raise DeliveryError(self.name, reason, True) from error

    async def close(self) -> None:
        """Close the connections."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

    async def _drain(self, answer: httpx.Response) -> None:
        """Read the answer so that the connection can be used again, but not without end."""
        read = 0
        async for part in answer.aiter_raw():
            read += len(part)
            if read > MOST_ANSWER_BYTES:
                return

    def _judge(self, answer: httpx.Response, now: float) -> None:
        status = answer.status_code
        if 200 <= status < 300:
            return
        reason = f"answered {status} {answer.reason_phrase}".rstrip()
        if 300 <= status < 400:
            reason += "; redirects are not followed: give the final URL"
        if status in _BUSY:
            again_after_s = _retry_after_s(answer.headers.get("retry-after"), now)
            if again_after_s is not None:
                raise ChannelBusy(self.name, reason, again_after_s)
        raise DeliveryError(self.name, reason, status >= 500 or status in _RETRY)


def _retry_after_s(text: str | None, now: float) -> float | None:
    """Seconds to wait, from either form of Retry-After; None where there is none."""
    if text is None:
        return None
    if re.fullmatch(r"\s*[0-9]{1,9}\s*", text):
        return float(text)
    try:
        moment = email.utils.parsedate_to_datetime(text)
    except ValueError:
        return None
    if moment.tzinfo is None:
        return None
    return max(from_utc(moment) - now, 0.0)
