"""How well orbits are known, and what observations teach of them."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from contactd.core.learning.known import lesson_of
from contactd.faces.http.context import Ctx, Names, Reader, check_names
from contactd.faces.http.payloads import document
from contactd.mission.documents import models
from contactd.mission.documents.orbit import orbit_form

router = APIRouter(tags=["motion"])


@router.get(
    "/orbit", response_model=list[models.Orbit], summary="What observations teach of each orbit"
)
def orbit(request: Request, ctx: Ctx, _: Reader, target: Names = None) -> Response:
    """How far each target may be from its elements, and what recorded AOS, LOS and tracking data
    teach of it. Contacts are predicted from the elements as they are, until that is adopted."""
    snapshot = ctx.snapshot()
    check_names(snapshot, target)
    now = ctx.view.now()
    return document(
        request,
        [
            orbit_form(
                each,
                lesson_of(
                    each.configured or each, snapshot.stations, ctx.view.observations(name), now
                ),
                now,
            )
            for name, each in ctx.view.targets().items()
            if not target or name in target
        ],
    )
