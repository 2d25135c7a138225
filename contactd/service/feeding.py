"""All feeds together: which are due, what they brought, and the targets with their elements."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import structlog

from contactd.alerts.address_filter import Guard, guarded_transport
from contactd.core.errors import ContactdError
from contactd.core.orbit import parse_omm
from contactd.core.orbit.elements import ElementSet
from contactd.core.planning import Target
from contactd.core.record import Record
from contactd.service.element_changes import elements_record
from contactd.service.feeds import MOST_REDIRECTS, Feed, FeedTerms, Outcome

if TYPE_CHECKING:
    import httpx

    from contactd.config import ElementFeed
    from contactd.records import State
    from contactd.service.clock import Clock

log = structlog.get_logger("contactd.feeds")


class Feeding:
    """Follows the feeds of the configuration in force."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._feeds: dict[str, Feed] = {}
        self._elements: dict[str, tuple[ElementSet, ...]] = {}
        self._learned: dict[str, Record] = {}
        self._client: httpx.AsyncClient | None = None
        self._public_only = False

    async def guard(self, public_only: bool) -> None:
        """Refuse addresses inside the machine or its network from now on, or no longer."""
        if public_only != self._public_only:
            self._public_only = public_only
            await self.close()

    def follow(self, feeds: Iterable[ElementFeed], known: State) -> None:
        """Follow these feeds from now on; one that has not changed keeps its manners.

        A new one begins with the last good set that the ledger knows.
        """
        wanted = {feed.target: terms_of(feed) for feed in feeds}
        self._elements = {n: each for n, each in self._elements.items() if n in wanted}
        followed = {}
        for name, terms in wanted.items():
            present = self._feeds.get(name)
            if present is not None and present.terms == terms:
                followed[name] = present
                continue
            record = known.elements.get(name)
            adopted = record.body if record and record.body.get("source") == terms.url else {}
            followed[name] = Feed(terms, adopted.get("validators"))
            self._remember(name, str(adopted.get("omm", "")))
        self._feeds = followed

    def targets(self, configured: Mapping[str, Target]) -> dict[str, Target]:
        """The configured targets, with what the feeds brought in place of their elements."""
        return {
            name: replace(target, elements=self._elements.get(name, target.elements))
            if name in self._feeds
            else target
            for name, target in configured.items()
        }

    def learn(self, known: State) -> None:
        """Take over what whoever leads has fetched, as the ledger knows it."""
        for name, feed in self._feeds.items():
            record = known.elements.get(name)
            if record is None or record is self._learned.get(name):
                continue
            self._learned[name] = record
            if record.body.get("source") == feed.terms.url:
                self._feeds[name] = Feed(feed.terms, record.body.get("validators"))
                self._remember(name, str(record.body.get("omm", "")))

    async def fetch_due(self, count: Any) -> list[Record]:
        """Fetch from every feed that is due; records of the elements that are new."""
        due = [
            (name, feed)
            for name, feed in self._feeds.items()
            if feed.is_due(self._clock.monotonic())
        ]
        if not due:
            return []
        if self._client is None:
            import httpx

            guard = Guard(public_only=self._public_only)
            self._client = httpx.AsyncClient(
                transport=guarded_transport(guard),
                follow_redirects=True,
                max_redirects=MOST_REDIRECTS,
            )
        records = []
        for name, feed in due:
            fetched = await feed.fetch(self._client, self._clock.monotonic())
            count.labels(fetched.outcome.value).inc()
            if fetched.outcome is Outcome.NEW:
                self._elements[name] = fetched.elements
                now = self._clock.now()
                found = Target(name, fetched.elements, feed.terms.url)
                records.append(elements_record(now, found, fetched.validators))
                log.info("new elements", target=name, sets=len(fetched.elements))
            elif fetched.outcome in (Outcome.REFUSED, Outcome.FAILED):
                log.warning("elements not fetched", target=name, reason=fetched.reason)
        return records

    async def close(self) -> None:
        """Let go of the connections."""
        client, self._client = self._client, None
        if client is not None:
            await client.aclose()

    def _remember(self, name: str, omm: str) -> None:
        if not omm:
            return
        try:
            self._elements[name] = parse_omm(omm)
        except ContactdError as error:
            log.warning("the ledger's elements cannot be used", target=name, reason=str(error))


def terms_of(feed: ElementFeed) -> FeedTerms:
    """How a feed of the configuration is to be fetched."""
    return FeedTerms(
        target=feed.target,
        url=feed.url,
        least_interval_s=feed.least_interval_s,
        timeout_s=feed.timeout_s,
        size_limit_bytes=feed.size_limit_bytes,
        format=feed.format,
        catalogue_number=feed.catalogue_number,
    )
