"""The ledger, as it is and as it was known; and what an operator enters into it."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Header, Path, Query, Request, Response

from contactd.core.outlook import Snapshot
from contactd.core.record import Record
from contactd.faces.http.access import Caller
from contactd.faces.http.capacity import for_an_entry
from contactd.faces.http.context import Context, Ctx, Instant, KnownAt, Operator, Reader
from contactd.faces.http.entries import Entry, key_used, scene, statement_forms
from contactd.faces.http.payloads import document
from contactd.faces.http.problems import Problem
from contactd.faces.http.view import RecordFilter
from contactd.mission.actions import Acknowledge
from contactd.mission.actions import record_of as action_record
from contactd.mission.changes import Change, across, between
from contactd.mission.documents import models
from contactd.mission.documents.service import change_form, record_form
from contactd.mission.statements import (
    Scene,
    Statement,
    confirmation,
    following,
    notes_of,
    record_of,
    repeats,
    shape_of,
)
from contactd.mission.statements.types import LONGEST_NAME, LONGEST_TEXT
from contactd.mission.together import Together, waiting_together

router = APIRouter(tags=["records"])

MOST_RECORDS = 1000
MOST_NUMBER = 2**53 - 1
"""The greatest number of a record that JSON says exactly (RFC 8259, section 6)."""
Key = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        min_length=8,
        max_length=100,
        description="The same key twice writes one record.",
    ),
]


@router.get("/records", response_model=list[models.Record], summary="The ledger")
def records(
    request: Request,
    ctx: Ctx,
    _: Reader,
    kind: Annotated[list[str] | None, Query(max_length=50)] = None,
    subject: Annotated[str, Query(max_length=300)] = "",
    author: Annotated[str, Query(max_length=100)] = "",
    since: Instant | None = None,
    until: Instant | None = None,
    before: Annotated[int | None, Query(ge=1, le=MOST_NUMBER)] = None,
    limit: Annotated[int, Query(ge=1, le=MOST_RECORDS)] = 100,
    known_at: KnownAt = None,
) -> Response:
    """Records, newest first. Where there are older ones, ``Link: <…>; rel="next"`` leads on."""
    wanted = RecordFilter(
        kinds=frozenset(kind or ()),
        subject=subject,
        author=author,
        since=since,
        until=until,
        known_at=known_at,
        before=before,
    )
    found = list(ctx.view.records(wanted, limit + 1))
    headers = {}
    if len(found) > limit:
        found = found[:limit]
        url = request.url.include_query_params(before=found[-1].number)
        headers["Link"] = f'<{url.path}?{url.query}>; rel="next"'
    return document(request, [record_form(each) for each in found], headers)


@router.get("/records/{number}", response_model=models.Record, summary="One record")
def record(
    request: Request, ctx: Ctx, _: Reader, number: Annotated[int, Path(ge=1, le=MOST_NUMBER)]
) -> Response:
    """The record of a number."""
    found = ctx.view.records(RecordFilter(after=number - 1, before=number + 1), 1)
    if not found:
        raise Problem(404, "not-found", f"there is no record {number}")
    return document(request, record_form(found[0]))


@router.get("/statements", response_model=list[models.StatementKind], summary="What can be entered")
def statements(request: Request, _: Reader) -> Response:
    """Every kind of statement with its fields: their types, labels and defaults."""
    return document(request, statement_forms())


@router.post("/records/preview", response_model=models.Preview, summary="What it would change")
def preview(request: Request, ctx: Ctx, caller: Reader, entry: Entry) -> Response:
    """What an entry would change, before it is written. Writes nothing; viewers may ask."""
    made_in = scene(ctx, entry, caller.name or "preview")
    made = record_of(entry, made_in)
    before = ctx.view.snapshot()
    change = _change_by(entry, before, ctx.view.suppose([made]))
    content = change_form(change)
    content["notes"] += notes_of(entry, made_in, made)
    return document(
        request,
        {
            **content,
            "confirmation": confirmation(made, "Not recorded yet"),
            "ledger_at": before.ledger_at,
            "record": record_form(made),
        },
    )


@router.post(
    "/records",
    response_model=models.Written,
    status_code=201,
    summary="Enter a start, a reading, a confirmation …",
)
async def enter(
    ctx: Ctx,
    caller: Operator,
    entry: Entry,
    key: Key = None,
    ledger_at: Annotated[
        int | None,
        Query(
            ge=0,
            le=MOST_NUMBER,
            description="The ledger's last record when the preview was made.",
        ),
    ] = None,
) -> Response:
    """Write a record and replan. With ``ledger_at``, it is refused if others about the same target
    came between the preview and this."""
    # Whatever computes runs in a thread: nothing may hold up the service's own loop.
    made_in, made, follow, before = await for_an_entry(_made, ctx, entry, caller, key, ledger_at)
    written = (await ctx.view.commit([made, *follow]))[0]
    content = await for_an_entry(_written, ctx, entry, made_in, made, before, written)
    return _created(content, written)


def _made(
    ctx: Context, entry: Statement, caller: Caller, key: str | None, ledger_at: int | None
) -> tuple[Scene, Record, list[Record], Snapshot]:
    made_in = scene(ctx, entry, caller.name, key)
    made = record_of(entry, made_in)
    if ledger_at is not None:
        _check_unchanged(ctx, made.subject.split("/")[0], ledger_at, made.identity)
    return made_in, made, following(made, made_in), ctx.view.snapshot()


def _written(
    ctx: Context, entry: Statement, made_in: Scene, made: Record, before: Snapshot, written: Record
) -> dict[str, Any]:
    same = (written.kind, written.subject, written.body) == (made.kind, made.subject, made.body)
    if not same and not repeats(entry, made_in, written):
        raise key_used(made_in.key, written.number)
    content = change_form(_change_by(entry, before, ctx.view.suppose(())))
    content["notes"] += notes_of(entry, made_in, written)
    return {**content, "confirmation": confirmation(written), "record": record_form(written)}


@router.post(
    "/alerts/{alert}/acknowledge",
    response_model=models.Record,
    status_code=201,
    summary="Acknowledge an alert",
)
async def acknowledge(
    ctx: Ctx,
    caller: Operator,
    alert: str,
    note: Annotated[str, Body(embed=True, max_length=LONGEST_TEXT)] = "",
) -> Response:
    """Say that somebody has it in hand. The alert is named by its identity, or by the number of
    its record."""
    standing = ctx.view.standing()
    if standing.alert(alert) is None:
        says = f"Alert {alert} is not waiting."
        raise Problem(404, "not-found", says)
    made = action_record(Acknowledge(alert, note), standing, caller.name, ctx.view.now())
    written = (await ctx.view.commit([made]))[0]
    return _created(record_form(written), written)


def _change_by(entry: Statement, before: Snapshot, after: Snapshot) -> Change:
    """What an entry changes: of its target, or of all where it is about a station."""
    if shape_of(type(entry)).about == "station":
        return across(before.targets, after.targets, after.at)
    return change_in(before, after, entry.target)


@router.post(
    "/alerts/acknowledge",
    response_model=list[models.Record],
    status_code=201,
    summary="Acknowledge alerts together",
)
async def acknowledge_together(
    ctx: Ctx,
    caller: Operator,
    target: Annotated[str, Body(max_length=LONGEST_NAME)] = "",
    sequence: Annotated[str, Body(max_length=LONGEST_NAME)] = "",
    cause: Annotated[
        str, Body(max_length=LONGEST_NAME, description="A kind of alert, a step or a station.")
    ] = "",
    alerts: Annotated[
        list[str] | None,
        Body(max_length=MOST_RECORDS, description="Only these identities: those that were read."),
    ] = None,
    note: Annotated[str, Body(max_length=LONGEST_TEXT)] = "",
) -> Response:
    """Say that somebody has all those in hand that wait and share a target, a sequence or a
    cause."""
    standing, now = ctx.view.standing(), ctx.view.now()
    only = None if alerts is None else frozenset(alerts)
    found = waiting_together(Together(target, sequence, cause, only), standing)
    made = [
        action_record(Acknowledge(each.alert.identity, note), standing, caller.name, now)
        for each in found
    ]
    written = await ctx.view.commit(made)
    return _created([record_form(each) for each in written], written[0])


def change_in(before: Snapshot, after: Snapshot, target: str) -> Change:
    """What differs of one target between two snapshots."""
    return between(before.targets.get(target), after.targets.get(target), after.at)


def _check_unchanged(ctx: Context, target: str, ledger_at: int, identity: str) -> None:
    wanted = RecordFilter(subject=target, after=ledger_at)
    newer = [
        each
        for each in ctx.view.records(wanted, 50)
        if not each.kind.startswith("alert-") and not (identity and each.identity == identity)
    ]
    if newer:
        raise Problem(
            409,
            "too-long-ago",
            f"Record {newer[0].number} ({newer[0].author}) is newer than your preview. "
            "Preview again.",
        )


def _created(content: Any, record: Record) -> Response:
    from contactd.faces.http.payloads import as_json

    return Response(
        as_json(content),
        201,
        {"Location": f"/api/v1/records/{record.number}", "Cache-Control": "no-store"},
        "application/json",
    )
