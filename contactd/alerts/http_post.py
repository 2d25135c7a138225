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

if TYPE_CHECKING:
    import ssl

    import httpx

MOST_ANSWER_BYTES = 65_536
# Somebody may put these right while it is tried: a moved address, a token, a rule, a missing page.
_RETRY = frozenset({*range(300, 400), 401, 403, 404, 405, 407, 408, 410, 425, 429})
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

    async def post(self, url: str, body: bytes, headers: Mapping[str, str]) -> None:
        """Post a body; an answer of 2xx accepts it.

        Raises:
            DeliveryError: for any other answer, or none.
        """
        import httpx

        named = {"User-Agent": f"contactd/{__version__}", **headers}
        client = self._client = self._client or self._open()
        try:
            async with client.stream("POST", url, content=body, headers=named) as answer:
                await _drain(answer)
                self._judge(answer)
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
                timeout=self._timeout_s, transport=transport, follow_redirects=False,
                trust_env=False,
            )  # fmt: skip
        # What stands in the environment (HTTP_PROXY) is not told to contactd.
        return httpx.AsyncClient(
            timeout=self._timeout_s, verify=verify, follow_redirects=False, trust_env=False
        )

    async def close(self) -> None:
        """Close the connections."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

    def _judge(self, answer: httpx.Response) -> None:
        status = answer.status_code
        if 200 <= status < 300:
            return
        reason = f"answered {status} {answer.reason_phrase}".rstrip()
        if 300 <= status < 400:
            reason += "; redirects are not followed: give the final URL"
        if status in _BUSY:
            again_after_s = retry_after_s(answer.headers)
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


def retry_after_s(headers: Mapping[str, str]) -> float | None:
    """How long (s) an answer asks to wait before the next try; None where it does not say.

    A date counts from the answer's own ``Date``, so that no clock of ours has part in it.
    """
    text = headers.get("retry-after", "")
    if re.fullmatch(r"\s*[0-9]{1,9}\s*", text, re.ASCII):
        return float(text)
    try:
        until, since = (
            email.utils.parsedate_to_datetime(each) for each in (text, headers.get("date", ""))
        )
        return max((until - since).total_seconds(), 0.0)
    except (ValueError, TypeError):  # no date, or only one of the two with a time zone
        return None
