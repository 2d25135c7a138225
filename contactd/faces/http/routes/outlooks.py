"""What is coming: the first screen's document, contacts, windows and forecasts."""

from __future__ import annotations

import base64
import binascii
from functools import partial
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request, Response

from contactd.core.contacts.contact import Contact
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import Snapshot, TargetOutlook
from contactd.faces.http.context import (
    Context,
    Ctx,
    From,
    KnownAt,
    Names,
    Reader,
    To,
    check_names,
)
from contactd.faces.http.problems import Problem
from contactd.mission.agenda import agenda
from contactd.mission.documents import models
from contactd.mission.documents.agenda import agenda_form
from contactd.mission.documents.contacts import (
    COMMAND,
    outlook_contact_form,
    stated_forms,
    station_form,
    window_form,
)
from contactd.mission.documents.contacts import windows as windows_of
from contactd.mission.documents.service import (
    alert_forms,
    forecast_forms,
    service_form,
    target_forms,
)
from contactd.mission.documents.steps import people_near as planned_near
from contactd.mission.documents.steps import sequence_form
from contactd.mission.timetext import NEAREST, machine

AGENDA_S = 7 * 86_400.0
AGENDA_WINDOWS = 4
"""The first screen's agenda: how far it looks ahead, and passes of each target and station."""

router = APIRouter(tags=["outlook"])

Limit = Annotated[int, Query(ge=1, le=5000, description="At most this many.")]
Cursor = Annotated[
    str | None, Query(max_length=600, description="Where the page before ended: follow its Link.")
]


@router.get("/now", response_model=models.Now, summary="What matters now")
def now(request: Request, ctx: Ctx, _: Reader, known_at: KnownAt = None) -> Response:
    """Every target with its next windows and its countdowns, the alerts that wait, and whether the
    picture can be trusted."""
    snapshot = ctx.snapshot(known_at)
    # Windows that are over are left out by the minute, so that the answer can be kept meanwhile.
    since = (snapshot.at if known_at is None else known_at) // 60.0 * 60.0 - 60.0

    def make() -> Any:
        return {
            "known_at": machine(known_at, NEAREST),
            "notice": ctx.view.notice(),
            **service_form(snapshot),
            "alerts": alert_forms(snapshot.alerts),
            "agenda": agenda_form(agenda(snapshot, since, since + AGENDA_S, AGENDA_WINDOWS), since),
            "stations": [
                {"name": each.name, "stated": stated_forms(each, since)}
                for each in snapshot.stations.values()
            ],
            "targets": target_forms(snapshot, partial(people_near, ctx), since),
        }

    return ctx.payloads.answer(request, make, known_at, since, ctx.view.notice())


@router.get("/targets", response_model=list[models.Target], summary="The targets")
def targets(request: Request, ctx: Ctx, _: Reader, known_at: KnownAt = None) -> Response:
    """Every target as in ``/now``."""
    snapshot = ctx.snapshot(known_at)
    since = (snapshot.at if known_at is None else known_at) // 60.0 * 60.0 - 60.0
    return ctx.payloads.answer(
        request,
        lambda: target_forms(snapshot, partial(people_near, ctx), since),
        known_at,
        since,
    )


@router.get("/stations", response_model=list[models.Station], summary="The ground stations")
def stations(request: Request, ctx: Ctx, _: Reader) -> Response:
    """Every station as configured, its mask, services and outages, and what is stated of it."""
    snapshot = ctx.snapshot()
    return ctx.payloads.answer(
        request, lambda: [station_form(each) for each in snapshot.stations.values()]
    )


@router.get("/alerts", response_model=list[models.Alert], summary="Alerts that wait")
def alerts(request: Request, ctx: Ctx, _: Reader, known_at: KnownAt = None) -> Response:
    """Alerts neither acknowledged nor over, most severe first."""
    snapshot = ctx.snapshot(known_at)
    return ctx.payloads.answer(request, lambda: alert_forms(snapshot.alerts), known_at)


@router.get("/contacts", response_model=list[models.Contact], summary="Contacts")
def contacts(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Names = None,
    station: Names = None,
    start: From = None,
    end: To = None,
    limit: Limit = 500,
    cursor: Cursor = None,
    known_at: KnownAt = None,
) -> Response:
    """Contacts ordered by AOS. Where there are more, ``Link: <…>; rel="next"`` leads on."""
    snapshot = ctx.snapshot(known_at)
    check_names(snapshot, target, station)
    after = _read_cursor(cursor)

    def make() -> _Page:
        found = _contacts(snapshot, target, station, start, end)
        chosen = [each for each in found if after is None or _key(each) > after]
        places = snapshot.stations
        page = _Page(
            outlook_contact_form(snapshot.targets.get(each.target), each, places.get(each.station))
            for each in chosen[:limit]
        )
        page.next = _key(chosen[limit - 1]) if len(chosen) > limit else None
        return page

    def links(page: _Page) -> dict[str, str]:
        return {"Link": f'<{_next_page(request, page.next)}>; rel="next"'} if page.next else {}

    key = (_fixed(target), _fixed(station), start, end, limit, cursor, known_at)
    return ctx.payloads.answer(request, make, *key, headers=links)


class _Page(list[dict[str, Any]]):
    """A page of contacts; ``next`` is the key of its last one if others follow it."""

    next: tuple[float, str, str] | None = None


@router.get("/windows", response_model=list[models.Window], summary="Windows of a service")
def windows(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Names = None,
    station: Names = None,
    start: From = None,
    end: To = None,
    service: Annotated[str, Query(max_length=100)] = COMMAND,
    limit: Limit = 500,
    known_at: KnownAt = None,
) -> Response:
    """When a service can be used (by default: when a command can be sent), ordered by start."""
    snapshot = ctx.snapshot(known_at)
    check_names(snapshot, target, station)

    def make() -> list[dict[str, Any]]:
        found = [
            (window, outlook)
            for outlook in snapshot.targets.values()
            if not target or outlook.target in target
            for window in windows_of(outlook, service)
            if (not station or window[2] in station)
            and (start is None or window[1] > start)
            and (end is None or window[0] < end)
        ]
        found.sort(key=lambda each: (each[0], each[1].target))
        return [window_form(outlook, window, service) for window, outlook in found[:limit]]

    key = (_fixed(target), _fixed(station), start, end, service, limit, known_at)
    return ctx.payloads.answer(request, make, *key)


@router.get("/forecast", response_model=list[models.ForecastStep], summary="Countdowns")
def forecast(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Names = None,
    known_at: KnownAt = None,
) -> Response:
    """When each step's countdown expires, whether it is covered, stop-by and keep-clear."""
    snapshot = ctx.snapshot(known_at)
    check_names(snapshot, target)
    return ctx.payloads.answer(
        request,
        lambda: [
            form
            for outlook in snapshot.targets.values()
            if not target or outlook.target in target
            for form in forecast_forms(outlook, snapshot.at)
        ],
        _fixed(target),
        known_at,
    )


@router.get(
    "/sequences", response_model=list[models.SequenceForecast], summary="Countdowns explained"
)
def sequences(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Names = None,
    known_at: KnownAt = None,
) -> Response:
    """Each sequence's forecast with the facts that every bound and verdict follows from."""
    snapshot = ctx.snapshot(known_at)
    check_names(snapshot, target)

    def make() -> list[dict[str, Any]]:
        made = []
        for outlook in snapshot.targets.values():
            if target and outlook.target not in target:
                continue
            near = people_near(ctx, outlook)
            made += [
                sequence_form(each, near.get(each.sequence, IntervalSet()))
                for each in outlook.forecasts
            ]
        return made

    return ctx.payloads.answer(request, make, _fixed(target), known_at)


def people_near(ctx: Context, outlook: TargetOutlook) -> dict[str, IntervalSet]:
    """When people are near, by sequence; empty for a target that is not configured any more."""
    try:
        return planned_near(ctx.view.target(outlook.target).sequences)
    except KeyError:
        return {}


def _contacts(
    snapshot: Snapshot,
    targets: list[str] | None,
    stations: list[str] | None,
    start: float | None,
    end: float | None,
) -> list[Contact]:
    found = [
        contact
        for name, outlook in snapshot.targets.items()
        if not targets or name in targets
        for contact in outlook.contacts
        if (not stations or contact.station in stations)
        and (start is None or contact.los > start)
        and (end is None or contact.aos < end)
    ]
    return sorted(found, key=_key)


def _key(contact: Contact) -> tuple[float, str, str]:
    return contact.aos, contact.target, contact.station


def _fixed(names: list[str] | None) -> tuple[str, ...]:
    return tuple(sorted(names or ()))


def _read_cursor(cursor: str | None) -> tuple[float, str, str] | None:
    if cursor is None:
        return None
    try:
        aos, target, station = base64.urlsafe_b64decode(cursor).decode().split("\0")
        return float(aos), target, station
    except (binascii.Error, UnicodeDecodeError, ValueError):
        raise Problem(422, "input", "cursor: expected one from a Link header") from None


def _next_page(request: Request, last: tuple[float, str, str]) -> str:
    text = "\0".join((repr(last[0]), *last[1:]))
    query = [(key, value) for key, value in request.query_params.multi_items() if key != "cursor"]
    cursor = base64.urlsafe_b64encode(text.encode()).decode()
    return f"{request.url.path}?{urlencode([*query, ('cursor', cursor)])}"
