"""Who has which station when, as the service has shared station time."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request, Response

from contactd.faces.exchange.forms import allocation_form
from contactd.faces.http.context import Ctx, Names, Reader, check_names
from contactd.faces.http.payloads import document

router = APIRouter(tags=["outlook"])


@router.get(
    "/station-time", response_model=dict[str, Any] | None, summary="Who has which station when"
)
def station_time(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Names = None,
    station: Names = None,
    why: Annotated[bool, Query(description="Also what was lost to whom.")] = False,
) -> Response:
    """Grants from now on and what requests have less than they want; null where station time is
    not shared, so that every contact is ours."""
    snapshot = ctx.snapshot()
    check_names(snapshot, target, station)
    made = snapshot.station_time
    if made is None:
        return document(request, None)
    now = ctx.view.now()
    grants = [
        each
        for each in made.grants
        if each.end > now
        and (not target or each.target in target)
        and (not station or each.station in station)
    ]
    short = [each for each in made.shortfalls if not target or each.target in target]
    stops = [each for each in made.earlier_stops if not target or each.target in target]
    return document(request, allocation_form(made, grants, short, stops, why=why))
