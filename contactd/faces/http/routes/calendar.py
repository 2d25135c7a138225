"""``/contacts.ics``: a calendar to subscribe to (RFC 5545)."""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from contactd.faces.export.events import CONTACT, STEP, WINDOW, Event, Scope, events_of
from contactd.faces.http.context import Ctx, Names, Reader, check_names
from contactd.faces.http.problems import Problem, not_found

KINDS = (CONTACT, WINDOW, STEP)
MOST_PUBLISHED = 64
"""Calendars whose last state is remembered, so that their events carry on."""
MOST_EVENTS = 2000
"""A calendar of more is refused: each event costs about a millisecond to compare and to write."""

router = APIRouter(tags=["calendar"])


class Published:
    """What each calendar said last, by what was asked for; the least used are forgotten."""

    def __init__(self) -> None:
        self._last: OrderedDict[str, tuple[list[Event], bytes]] = OrderedDict()
        self.lock = Lock()

    def last(self, asked: str) -> tuple[list[Event], bytes | None]:
        """The events and the calendar as they were last published."""
        return self._last.get(asked, ([], None))

    def put(self, asked: str, events: list[Event], calendar: bytes) -> None:
        """Remember a calendar."""
        self._last[asked] = (events, calendar)
        self._last.move_to_end(asked)
        while len(self._last) > MOST_PUBLISHED:
            self._last.popitem(last=False)


class _Calendar(Response):
    media_type = "text/calendar"


@router.get("/contacts.ics", response_class=_Calendar, summary="Calendar to subscribe to")
def calendar(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Names = None,
    station: Names = None,
    kind: Annotated[list[str] | None, Query(max_length=len(KINDS))] = None,
) -> Response:
    """Contacts, command windows and steps, with UIDs that stay and a SEQUENCE that grows.

    Ask for some `target`, `station` or `kind` (each may be repeated); all of them otherwise, if
    they are not too many for a calendar.
    """
    from contactd.faces.export.calendar import calendar_text

    snapshot = ctx.snapshot()
    check_names(snapshot, target, station)
    for name in kind or ():
        if name not in KINDS:
            raise not_found("kind", name, list(KINDS))
    scope = Scope(
        kinds=frozenset(kind or KINDS),
        targets=frozenset(target) if target else None,
        stations=frozenset(station) if station else None,
    )
    events = sorted(
        (
            event
            for name, outlook in snapshot.targets.items()
            if target is None or name in target
            for event in events_of(outlook, snapshot.stations, scope.kinds)
            if scope.covers(event.kind, event.about)
        ),
        key=lambda event: event.start,
    )
    if len(events) > MOST_EVENTS:
        raise Problem(
            422,
            "input",
            f"found {len(events):,} events; expected at most {MOST_EVENTS:,}: ask for some target, "
            "station or kind",
        )
    published: Published = request.app.state.published
    asked = repr((sorted(scope.kinds), sorted(target or ()), sorted(station or ())))
    with published.lock:
        before, text = published.last(asked)
        if text is None or events != before:
            now = ctx.view.now()
            text = calendar_text(events, now, before=text, covers=scope.covers)
        published.put(asked, events, text)
    headers = {"Content-Disposition": 'inline; filename="contacts.ics"'}
    return _Calendar(text, headers=headers)
