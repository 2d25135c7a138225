"""Sheets for those who work from paper, as PDF."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Query, Response

from contactd.core.contacts.table import meeting
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import Snapshot
from contactd.faces.http.context import Ctx, Instant, KnownAt, Name, Reader, check_names
from contactd.faces.http.pdf import Pdf, pdf_answer
from contactd.faces.http.problems import Problem, not_found
from contactd.faces.http.routes.outlooks import people_near
from contactd.mission.timetext import NO_LATER, moment

router = APIRouter(
    tags=["sheets"],
    responses={200: {"content": {"application/pdf": {}}, "description": "The sheet as PDF."}},
)


@router.get("/sheets/contact", response_class=Pdf, summary="Contact sheet")
def contact_sheet(
    ctx: Ctx,
    _: Reader,
    target: Name,
    station: Name,
    at: Annotated[Instant, Query(description="A moment in the contact, or before it (UTC).")],
    frequency_mhz: Annotated[float | None, Query(gt=0, le=1_000_000)] = None,
) -> Response:
    """AOS, TCA, LOS, windows, pointing, what expires aboard, stop-by, keep-clear, and boxes."""
    outlook = ctx.outlook(target)
    snapshot = ctx.snapshot()
    check_names(snapshot, None, [station])
    contact = meeting(outlook.contacts, station, at, math.inf)
    if contact is None:
        raise Problem(404, "not-found", f"{target} has no contact with {station} then or later")
    from contactd.core.ground.look import mask_elevation_deg
    from contactd.faces.http.motion import sky_samples
    from contactd.faces.page.sheets.contact_sheet import ContactSheet

    place = snapshot.stations[station]
    around = list(range(0, 361, 2))
    low = mask_elevation_deg(place, around).tolist()
    sheet = ContactSheet(
        contact=contact,
        station=place,
        outlook=outlook,
        samples=sky_samples(ctx.view.track(target), place, contact.aos, contact.los),
        mask=list(zip(around, low, strict=True)),
        basis=_basis(snapshot),
        frequency_mhz=frequency_mhz,
        notice=ctx.view.notice(),
    )
    return pdf_answer(sheet.pdf(), f"contact-{target}-{station}")


@router.get("/sheets/sequence", response_class=Pdf, summary="Sequence sheet")
def sequence_sheet(
    ctx: Ctx, _: Reader, target: Name, sequence: Name, known_at: KnownAt = None
) -> Response:
    """Every countdown of a sequence, its hazards, stop-by and keep-clear, and boxes."""
    outlook = ctx.outlook(target, known_at)
    forecasts = {each.sequence: each for each in outlook.forecasts}
    if sequence not in forecasts:
        raise not_found(f"sequence of {target}", sequence, list(forecasts))
    from contactd.faces.page.sheets.sequence_sheet import SequenceSheet

    sheet = SequenceSheet(
        forecast=forecasts[sequence],
        people_near=people_near(ctx, outlook).get(sequence, IntervalSet()),
        basis=_basis(ctx.snapshot(known_at)),
        notice=ctx.view.notice(),
    )
    return pdf_answer(sheet.pdf(), f"sequence-{target}-{sequence}")


def _basis(snapshot: Snapshot) -> str:
    return f"As known at {moment(snapshot.at, NO_LATER)}, ledger at record {snapshot.ledger_at}."
