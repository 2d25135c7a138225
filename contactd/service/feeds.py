"""Elements by URL, fetched politely.

One feed a target. A fetch is conditional where the server gave a validator (RFC 9110 sections 13
and 8.8), never more often than the feed's least interval, and backs off when it fails, twice as
long each time up to a day; ``Retry-After`` (RFC 9110 section 10.2.3) is honoured. The last good
set stays in force whatever happens; what was adopted stands in the ledger.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from contactd import __version__
from contactd.alerts.address_filter import AddressRefused
from contactd.alerts.http_post import retry_after_s
from contactd.core.backoff import Backoff
from contactd.core.errors import ContactdError
from contactd.core.orbit import parse_omm, parse_tle
from contactd.core.orbit.elements import ElementSet

if TYPE_CHECKING:
    import httpx

LONGEST_BACK_OFF_S = 86_400.0
_CHANCE = random.Random()  # noqa: S311 - spreads the load, guards nothing
MOST_REDIRECTS = 3


class Outcome(StrEnum):
    """How a fetch ended."""

    NEW = "new"
    UNCHANGED = "unchanged"
    REFUSED = "refused"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class FeedTerms:
    """Where a target's elements are fetched, and how politely."""

    target: str
    url: str
    least_interval_s: float
    timeout_s: float
    size_limit_bytes: int
    format: str | None = None
    catalogue_number: int | None = None


@dataclass(frozen=True, slots=True)
class Fetched:
    """What a fetch brought.

    Attributes:
        elements: the sets, when the outcome is ``NEW``.
        text: what the server sent, as it goes into the ledger.
        reason: why not, in words.
    """

    outcome: Outcome
    elements: tuple[ElementSet, ...] = ()
    text: str = ""
    validators: Mapping[str, str] = field(default_factory=dict)
    reason: str = ""


class Feed:
    """One feed and when it may be asked next (by a monotonic clock, s)."""

    def __init__(self, terms: FeedTerms, validators: Mapping[str, str] | None = None) -> None:
        self.terms = terms
        self.next_at = 0.0
        self.failures = 0
        self._validators = dict(validators or {})
        self._last_text: str | None = None

    def is_due(self, monotonic: float) -> bool:
        """Whether the feed may be asked now."""
        return monotonic >= self.next_at

    async def fetch(self, client: httpx.AsyncClient, monotonic: float) -> Fetched:
        """Ask the server once. Never raises for what the server or the network does."""
        import httpx

        headers = {"User-Agent": f"contactd/{__version__}", "Accept": "*/*", **self._conditions()}
        wait_s: float | None = None
        try:
            async with client.stream(
                "GET", self.terms.url, headers=headers, timeout=self.terms.timeout_s
            ) as answer:
                wait_s = retry_after_s(answer.headers)
                result = await self._read(answer)
        except (httpx.HTTPError, AddressRefused) as error:
            reason = str(error) or type(error).__name__
            result = Fetched(Outcome.FAILED, reason=f"{self.terms.url}: {reason}")
        self._schedule(result.outcome, monotonic, wait_s)
        return result

    async def _read(self, answer: httpx.Response) -> Fetched:
        url = self.terms.url
        if answer.status_code == 304:
            return Fetched(Outcome.UNCHANGED)
        if answer.status_code != 200:
            return Fetched(Outcome.FAILED, reason=f"{url} answered {answer.status_code}")
        body = bytearray()
        async for part in answer.aiter_bytes():
            body += part
            if len(body) > self.terms.size_limit_bytes:
                limit = self.terms.size_limit_bytes
                return Fetched(Outcome.REFUSED, reason=f"{url} sent more than {limit} bytes")
        text = body.decode("utf-8", errors="replace")
        try:
            elements = read_elements(text, self.terms)
        except ContactdError as error:
            return Fetched(Outcome.REFUSED, reason=f"{url}: {error}")
        self._validators = {
            name: answer.headers[name]
            for name in ("etag", "last-modified")
            if name in answer.headers
        }
        if text == self._last_text:
            return Fetched(Outcome.UNCHANGED)
        self._last_text = text
        return Fetched(Outcome.NEW, elements, text, dict(self._validators))

    def _conditions(self) -> dict[str, str]:
        asked = {}
        if "etag" in self._validators:
            asked["If-None-Match"] = self._validators["etag"]
        if "last-modified" in self._validators:
            asked["If-Modified-Since"] = self._validators["last-modified"]
        return asked

    def _schedule(self, outcome: Outcome, monotonic: float, wait_s: float | None) -> None:
        least = self.terms.least_interval_s
        if outcome in (Outcome.NEW, Outcome.UNCHANGED):
            self.failures = 0
            pause = least
        else:
            self.failures += 1
            # A little more than the least interval at the least: never asked too early.
            backoff = Backoff(least * 1.1, max(LONGEST_BACK_OFF_S, least) * 1.1, 1.0 / 1.1)
            pause = backoff.wait_s(self.failures, _CHANCE.uniform)
        self.next_at = monotonic + max(pause, min(wait_s or 0.0, LONGEST_BACK_OFF_S))


def read_elements(text: str, terms: FeedTerms) -> tuple[ElementSet, ...]:
    """The element sets of a feed's answer, of the wanted object only.

    Raises:
        ContactdError: if the text is no element set, or has none of the wanted object.
    """
    looks_like_omm = text.lstrip()[:1] in "<[{" or "CCSDS_OMM_VERS" in text[:2000]
    as_omm = terms.format == "omm" or (terms.format is None and looks_like_omm)
    elements = parse_omm(text) if as_omm else parse_tle(text)
    if terms.catalogue_number is not None:
        wanted = terms.catalogue_number
        elements = tuple(each for each in elements if each.catalogue_number == wanted)
        if not elements:
            raise ContactdError(f"no element set of object {wanted} in the answer")
    numbers = {each.catalogue_number for each in elements}
    if len(numbers) > 1:
        some = ", ".join(str(number) for number in sorted(numbers)[:5])
        raise ContactdError(f"several objects ({some}): name one with catalogue_number")
    return elements
