"""What every route works with, and the types of what a query may hold."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Query, Request
from pydantic import BeforeValidator, WithJsonSchema

from contactd.core import instants
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.faces.http.access import Access, Caller
from contactd.faces.http.payloads import Payloads
from contactd.faces.http.problems import Problem, not_found
from contactd.faces.http.steering import Steering
from contactd.faces.http.stream import Changes
from contactd.faces.http.view import View

EARLIEST = instants.from_text("1980-01-01T00:00:00Z")
LATEST = instants.from_text("2200-01-01T00:00:00Z")


@dataclass(frozen=True, slots=True)
class Context:
    """What every route works with; ``steering`` only in a rehearsal."""

    view: View
    access: Access
    payloads: Payloads
    changes: Changes
    steering: Steering | None = None

    def snapshot(self, known_at: float | None = None) -> Snapshot:
        """The present snapshot, or the one as known at an instant."""
        if known_at is None:
            return self.payloads.present()[1]
        if known_at > self.view.now():
            raise Problem(422, "input", "known_at lies in the future: nothing is known then yet")
        return self.payloads.past(known_at)

    def outlook(self, target: str, known_at: float | None = None) -> TargetOutlook:
        """One target's outlook, or a 404."""
        snapshot = self.snapshot(known_at)
        check_names(snapshot, [target])
        return snapshot.targets[target]


def check_names(
    snapshot: Snapshot, targets: Iterable[str] | None, stations: Iterable[str] | None = None
) -> None:
    """Refuse with a 404 what is no target, or no station, of the snapshot.

    Until the first plan is complete that is not known: 503.
    """
    for kind, given, known in (
        ("target", targets, snapshot.targets),
        ("station", stations, snapshot.stations),
    ):
        for name in given or ():
            if name not in known and snapshot.planned_at is None:
                detail = f"{name!r} is not planned yet: the first plan is being made"
                raise Problem(503, "starting", detail, {"Retry-After": "1"})
            if name not in known:
                raise not_found(kind, name, list(known))


def context_of(request: Request) -> Context:
    """The application's context."""
    context: Context = request.app.state.context
    return context


async def _reading(request: Request) -> Caller:
    return context_of(request).access.reader(request)


async def _operating(request: Request) -> Caller:
    return context_of(request).access.operator(request)


async def _scraping(request: Request) -> Caller:
    return context_of(request).access.scraper(request)


def _instant(value: Any) -> Any:
    if not isinstance(value, str):
        return value
    # A plus sign that was not escaped in an address arrives as a blank.
    instant = instants.from_text(re.sub(r"(T.*) (\d\d:\d\d)$", r"\1+\2", value.strip()))
    if not EARLIEST <= instant <= LATEST:
        raise ValueError("a time from 1980 to 2200")
    return instant


UTC_TEXT = {"type": "string", "format": "date-time", "examples": ["2026-12-03T08:00:00Z"]}
Instant = Annotated[float, BeforeValidator(_instant), WithJsonSchema(UTC_TEXT)]


async def _context(request: Request) -> Context:
    context = context_of(request)
    if not context.view.has_begun():
        detail = "the service is starting: it reads its ledger"
        raise Problem(503, "starting", detail, {"Retry-After": "1"})
    return context


# Asynchronous, since none of them computes: they need no thread, which readers may hold.
Ctx = Annotated[Context, Depends(_context)]
Reader = Annotated[Caller, Depends(_reading)]
Operator = Annotated[Caller, Depends(_operating)]
Scraper = Annotated[Caller, Depends(_scraping)]
Name = Annotated[str, Query(min_length=1, max_length=200)]
Names = Annotated[list[str] | None, Query(max_length=200)]
KnownAt = Annotated[
    Instant | None, Query(description="The state as it was known at this moment (UTC).")
]
From = Annotated[Instant | None, Query(alias="from", description="Ends after this moment (UTC).")]
To = Annotated[Instant | None, Query(alias="to", description="Begins before this moment (UTC).")]
