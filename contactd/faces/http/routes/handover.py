"""The shift handover: the same sheet as the command line gives, as a document and on paper."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, Field

from contactd.alerts.quality import OF_ALARMS, Alarm, alarms_of
from contactd.core import record as kinds
from contactd.core.record import Record
from contactd.faces.handover import Handover, gather
from contactd.faces.http.context import Context, Ctx, Instant, KnownAt, Reader
from contactd.faces.http.payloads import document
from contactd.faces.http.pdf import Pdf, pdf_answer
from contactd.faces.http.problems import Problem
from contactd.faces.http.view import RecordFilter
from contactd.mission.documents import models

router = APIRouter(tags=["handover"])

SHIFT_S = 8 * 3600.0
LONGEST_S = 14 * 86_400.0
MOST_RECORDS = 5_000
"""Of a shift with more records than these, the newest count."""
MOST_TOLD = 5_000
MOST_OF_ALARMS = 20_000
STOOD_BEFORE_S = 2 * 86_400.0

Since = Annotated[
    Instant | None,
    Query(description="When the shift that ends began (UTC); eight hours ago by default."),
]
Until = Annotated[
    Instant | None,
    Query(description="When the next shift ends (UTC); in eight hours by default."),
]


class HandoverItem(BaseModel):
    """One line of a handover."""

    at: str = Field(description="RFC 3339 UTC")
    until: str | None = Field(description="where it is an interval")
    about: str
    what: str
    who: str
    kind: str = Field(description="of what is coming: 'stop by', 'keep clear', 'expiry' …, or ''")
    stops: str | None = Field(description="of a stop: the step whose command it is")
    station: str | None = Field(description="the station that it needs")
    decision: bool = Field(description="whether somebody must decide or act")
    severity: str | None = Field(description="warning, caution or advisory, where it has one")


class HandoverGiven(BaseModel):
    """Who handed over, to whom, and until when all is to be read back."""

    record: int
    by: str
    to: str
    at: str = Field(description="RFC 3339 UTC")
    until: str | None = Field(description="RFC 3339 UTC")


class ReadBackItem(BaseModel):
    """What whoever takes over reads back, and how they did."""

    number: int
    kind: str = Field(description="hazard, stop or doubt")
    about: str
    what: str
    by: str | None = Field(description="who read it back; null: nobody yet")
    at: str | None = Field(description="RFC 3339 UTC")
    words: str | None = Field(description="in which words; empty: by a tick")


class HandoverSheet(BaseModel):
    """What the next shift must know."""

    since: str
    now: str
    until: str
    open: list[HandoverItem] = Field(description="what wants attention, gravest first")
    coming: list[HandoverItem] = Field(description="in order of time")
    known: list[HandoverItem]
    changed: list[HandoverItem]
    decided: list[HandoverItem]
    notice: str = Field(description="the notice where a step is hazardous")
    given: HandoverGiven | None = Field(description="the shift as handed over; null: not yet")
    read_back: list[ReadBackItem] = Field(description="every hazard, stop and doubt, and by whom")
    alarms: list[models.AlarmQuality] = Field(description="of the shift that ends, by role")
    complete: bool = Field(description="false if the shift had more records than are looked at")


@router.get("/handover", response_model=HandoverSheet, summary="Shift handover")
def handover(
    request: Request,
    ctx: Ctx,
    _: Reader,
    since: Since = None,
    until: Until = None,
    known_at: KnownAt = None,
) -> Response:
    """What is open, what is coming in order of time, what is known and how well, what changed,
    and what was decided by whom."""
    made, complete = _made(ctx, since, until, known_at)
    return document(request, {**made.as_json(), "complete": complete})


@router.get(
    "/sheets/handover",
    response_class=Pdf,
    summary="Handover sheet",
    tags=["sheets"],
    responses={200: {"content": {"application/pdf": {}}, "description": "The sheet as PDF."}},
)
def handover_sheet(
    ctx: Ctx,
    _: Reader,
    since: Since = None,
    until: Until = None,
    known_at: KnownAt = None,
) -> Response:
    """The handover for those who work from paper."""
    from contactd.faces.handover.render import pdf

    made, _complete = _made(ctx, since, until, known_at)
    return pdf_answer(pdf(made, ctx.view.notice()), "handover")


def _made(
    ctx: Context, since: float | None, until: float | None, known_at: float | None
) -> tuple[Handover, bool]:
    """The handover at this moment, or as known at an earlier one, and whether every record of the
    shift was looked at."""
    snapshot = ctx.snapshot(known_at)
    now = ctx.view.now() if known_at is None else known_at
    since = now - SHIFT_S if since is None else since
    until = now + SHIFT_S if until is None else until
    if not now - LONGEST_S <= since <= now:
        raise Problem(422, "input", "since: expected a time in the fourteen days before")
    if not now < until <= now + LONGEST_S:
        raise Problem(422, "input", "until: expected a time in the next fourteen days")
    newest = ctx.view.records(RecordFilter(since=since, known_at=known_at), MOST_RECORDS)
    records = list(reversed(newest))
    made = gather(
        records,
        snapshot,
        _told(ctx, records),
        since,
        now,
        until,
        _alarms(ctx, since, known_at),
    )
    return made, len(newest) < MOST_RECORDS


def _alarms(ctx: Context, since: float, known_at: float | None) -> list[Alarm]:
    """The alarms of the shift, and those of the days before that may still stand."""
    wanted = RecordFilter(kinds=OF_ALARMS, since=since - STOOD_BEFORE_S, known_at=known_at)
    return alarms_of(reversed(ctx.view.records(wanted, MOST_OF_ALARMS)))


def _told(ctx: Context, records: list[Record]) -> dict[str, str]:
    """What the alerts said that were acknowledged in the shift, by identity."""
    wanted = {
        str(each.body.get("identity", ""))
        for each in records
        if each.kind == kinds.ALERT_ACKNOWLEDGED
    }
    if not wanted:
        return {}
    raised = ctx.view.records(RecordFilter(kinds=frozenset({kinds.ALERT_RAISED})), MOST_TOLD)
    found = {
        str(each.body.get("identity", each.identity)): str(each.body.get("what", ""))
        for each in raised
    }
    return {name: found[name] for name in wanted if name in found}
