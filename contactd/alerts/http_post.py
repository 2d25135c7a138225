"""HTTP POST as channels need it: no redirects, bounded answers, errors that say what to do.

Sources: RFC 9110 section 15 for what an answer means and 10.2.3 for Retry-After.
"""

from __future__ import annotations

import email.utils
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

from contactd import __version__
from contactd.alerts.address_filter import AddressRefused, Guard
from contactd.alerts.notification import ChannelBusy
from contactd.core.errors import DeliveryError
from contactd.core.instants import from_utc

if TYPE_CHECKING:
    import ssl

    import httpx

MOST_ANSWER_BYTES = 65_536
_RETRY = frozenset({408, 425, 429})
_BUSY = frozenset({429, 503})


class Poster:
    """Posts bodies for one channel, over connections that are kept open.

    Args:
        name: the channel's, for errors.
        timeout_s: for connecting, and for each wait on the network.
        verify: how certificates are checked; outside servers always are.
    """

    def __init__(
        self,
        name: str,
        timeout_s: float = 10.0,
        guard: Guard | None = None,
        verify: ssl.SSLContext | None = None,
    ) -> None:
        self._name = name
        self._timeout_s = timeout_s
        self._guard = guard
        self._verify = verify
        self._client: httpx.AsyncClient | None = None

    async def post(self, url: str, body: bytes, headers: Mapping[str, str], now: float) -> None:
        """Post a body; an answer of 2xx accepts it. ``now`` (s) is what Retry-After counts from.

        Raises:
            DeliveryError: for any other answer, or none.
        """
        import httpx

        named = {"User-Agent": f"contactd/{__version__}", **headers}
        client = self._client = self._client or self._open()
        try:
            async with client.stream("POST", url, content=body, headers=named) as answer:
                await _drain(answer)
                self._judge(answer, now)
        except AddressRefused as error:
            raise DeliveryError(self._name, str(error), False) from error
        except httpx.InvalidURL as error:
            raise DeliveryError(self._name, f"its URL cannot be used: {error}", False) from error
        except (httpx.UnsupportedProtocol, httpx.LocalProtocolError) as error:
            raise DeliveryError(self._name, str(error), False) from error
        except httpx.HTTPError as error:
            reason = str(error) or type(error).__name__
            raise DeliveryError(self._name, reason, True) from error

    def _open(self) -> httpx.AsyncClient:
        import httpx

        verify = True if self._verify is None else self._verify
        if self._guard is not None and self._guard.public_only:
            from contactd.alerts.address_filter import guarded_transport

            transport = guarded_transport(self._guard, verify)
            return httpx.AsyncClient(
                timeout=self._timeout_s, transport=transport, follow_redirects=False
            )
        return httpx.AsyncClient(timeout=self._timeout_s, verify=verify, follow_redirects=False)

    async def close(self) -> None:
        """Close the connections."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

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
                raise ChannelBusy(self._name, reason, again_after_s)
        raise DeliveryError(self._name, reason, status >= 500 or status in _RETRY)


async def _drain(answer: httpx.Response) -> None:
    """Read the answer so that the connection can be used again, but not without end."""
    read = 0
    async for part in answer.aiter_raw():
        read += len(part)
        if read > MOST_ANSWER_BYTES:
            return


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
