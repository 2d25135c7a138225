"""Tickets: signed texts in a link by which whoever reads a message can acknowledge its alert.

A ticket is ``<content>.<signature>``, both base64url without padding: the content is the JSON list
``[identity, channel, end]`` (``end`` in POSIX seconds), the signature its HMAC-SHA-256. It lets
its holder acknowledge that one alert until then, and nothing else. Programs that look at mail
follow links by themselves: following one must show a page that asks, and only its answer may
acknowledge.

Sources: RFC 2104 (HMAC), RFC 4648 section 5 (base64url).
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import math
from dataclasses import dataclass

from contactd.core.alert import Alert
from contactd.core.errors import InputError
from contactd.core.instants import from_unix, to_unix
from contactd.mission.timetext import NO_LATER, moment

LEAST_SECRET_BYTES = 16
MOST_LENGTH = 1_000
LASTS_S = 7 * 86_400.0


@dataclass(frozen=True, slots=True)
class Ticket:
    """Whoever holds it may acknowledge one alert.

    Attributes:
        identity: of the alert.
        channel: that it was sent through.
        ends: instant (s) after which it is no longer good.
    """

    identity: str
    channel: str
    ends: float


class Tickets:
    """Makes and reads tickets with one secret.

    Args:
        secret: at least ``LEAST_SECRET_BYTES`` bytes that nobody can guess.
        base_url: where tickets are handed in; the ticket is appended to it.

    Raises:
        InputError: for a secret that is too short; it is not repeated.
    """

    def __init__(self, secret: bytes, base_url: str) -> None:
        if len(secret) < LEAST_SECRET_BYTES:
            raise InputError(
                f"a secret of at least {LEAST_SECRET_BYTES} bytes", f"{len(secret)} bytes"
            )
        self._secret = secret
        self._base_url = base_url.rstrip("/")

    def link(self, alert: Alert, channel: str) -> str:
        """The link by which a reader of a channel can acknowledge an alert."""
        return f"{self._base_url}/{self.write(alert, channel)}"

    def write(self, alert: Alert, channel: str) -> str:
        """The ticket for an alert."""
        ends = math.ceil(to_unix(max(alert.due, alert.moment) + LASTS_S))
        content = json.dumps([alert.identity, channel, ends], separators=(",", ":")).encode()
        return f"{_encode(content)}.{_encode(self._sign(content))}"

    def read(self, text: str, now: float) -> Ticket:
        """The ticket that a text is.

        Raises:
            InputError: if it is none of ours, or no longer good.
        """
        content, _, signature = text[:MOST_LENGTH].partition(".")
        given = _decode(content)
        genuine = hmac.compare_digest(_decode(signature), self._sign(given))
        if len(text) > MOST_LENGTH or not genuine:
            raise InputError("a link as it was sent", "one that was changed or cut off", "ticket")
        identity, channel, ends = json.loads(given)
        ticket = Ticket(str(identity), str(channel), from_unix(float(ends)))
        if now > ticket.ends:
            found = f"one that was good until {moment(ticket.ends, NO_LATER)}"
            raise InputError("a link that is still good", found, "ticket")
        return ticket

    def _sign(self, content: bytes) -> bytes:
        return hmac.new(self._secret, content, hashlib.sha256).digest()


def _encode(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _decode(text: str) -> bytes:
    try:
        return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        return b""
