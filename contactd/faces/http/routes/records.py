"""The ledger, as it is and as it was known; and what an operator enters into it."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Body, Header, Query, Request, Response

from contactd.core import record as kinds
from contactd.core.alert import Alert
from contactd.core.contacts.missed import without_missed
from contactd.core.planning import Prediction, predict_target
from contactd.core.record import Record
from contactd.core.sequences.known import SequenceKnowledge
from contactd.core.sequences.model import Sequence
from contactd.faces.http.access import Caller
from contactd.faces.http.changes import change_form
from contactd.faces.http.context import Context, Ctx, Instant, KnownAt, Operator, Reader
from contactd.faces.http.entries import LONGEST_TEXT, Entry, Scene
from contactd.faces.http.payloads import document
from contactd.faces.http.problems import Problem, not_found
from contactd.faces.http.view import RecordFilter
from contactd.mission.documents import models
from contactd.mission.documents.service import record_form

router = APIRouter(tags=["records"])

MOST_RECORDS = 1000
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
    before: Annotated[int | None, Query(ge=1)] = None,
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
def record(request: Request, ctx: Ctx, _: Reader, number: int) -> Response:
    """The record of a number."""
    found = ctx.view.records(RecordFilter(after=number - 1, before=number + 1), 1)
    if not found:
        raise Problem(404, "not-found", f"there is no record {number}")
    return document(request, record_form(found[0]))


@router.post("/records/preview", response_model=models.Preview, summary="What it would change")
def preview(
    request: Request, ctx: Ctx, caller: Reader, entry: Annotated[Entry, Body()]
) -> Response:
    """What an entry would change, before it is written. Writes nothing; viewers may ask."""
    made = entry.record(_scene(ctx, entry, caller))
    before = ctx.view.snapshot()
    change = change_form(before, ctx.view.suppose([made]), entry.target)
    if made.kind == kinds.STEP_NOT_SEEN and not made.body["refutes"]:
        change["cautions"].append(f"this proves nothing: {made.body['why']}")
    return document(request, {**change, "ledger_at": before.ledger_at, "record": record_form(made)})


@router.post(
    "/records",
    response_model=models.Written,
    status_code=201,
    summary="Enter a start, a reading, a sighting …",
)
async def enter(
    ctx: Ctx,
    caller: Operator,
    entry: Annotated[Entry, Body()],
    key: Key = None,
    ledger_at: Annotated[
        int | None,
        Query(ge=0, description="The ledger's last record when the preview was made."),
    ] = None,
) -> Response:
    """Write a record and replan. With ``ledger_at``, it is refused if others about the same target
    came between the preview and this."""
    if ledger_at is not None:
        _check_unchanged(ctx, entry.target, ledger_at)
    made = entry.record(_scene(ctx, entry, caller, key))
    before = ctx.view.snapshot()
    written = await ctx.view.commit([made])
    change = change_form(before, ctx.view.suppose(()), entry.target)
    return _created({**change, "record": record_form(written[0])}, written[0])


@router.post(
    "/alerts/{identity}/acknowledge",
    response_model=models.Record,
    status_code=201,
    summary="Acknowledge an alert",
)
async def acknowledge(
    ctx: Ctx,
    caller: Operator,
    identity: str,
    remark: Annotated[str, Body(embed=True, max_length=LONGEST_TEXT)] = "",
) -> Response:
    """Say that somebody has it in hand. Acknowledging twice writes one record."""
    alert = _alert(ctx, identity)
    body: dict[str, Any] = {"identity": identity}
    if remark.strip():
        body["remark"] = remark.strip()
    made = Record(
        ctx.view.now(),
        kinds.ALERT_ACKNOWLEDGED,
        alert.subject,
        caller.name,
        body,
        identity=f"acknowledged:{identity}",
    )
    written = await ctx.view.commit([made])
    return _created(record_form(written[0]), written[0])


def _alert(ctx: Context, identity: str) -> Alert:
    for alert in ctx.view.snapshot().alerts:
        if alert.identity == identity:
            return alert
    raise Problem(404, "not-found", "there is no such alert waiting; perhaps it is over")


def _scene(ctx: Context, entry: Entry, caller: Caller, key: str | None = None) -> Scene:
    snapshot = ctx.view.snapshot()
    sequence, knowledge = None, SequenceKnowledge()
    if entry.target:
        ctx.outlook(entry.target)
        sequence, knowledge = _sequence(ctx, entry)
    return Scene(
        target=entry.target,
        sequence=sequence,
        knowledge=knowledge,
        stations=tuple(snapshot.stations),
        author=caller.name or "preview",
        recorded_at=ctx.view.now(),
        coverage=lambda span: _coverage(ctx, entry.target, span),
        identity=f"entered:{caller.name}:{key}" if key else "",
    )


def _coverage(ctx: Context, target: str, span: tuple[float, float]) -> Prediction:
    """What a target was predicted to be covered by, without the contacts recorded as missed."""
    stations = list(ctx.view.snapshot().stations.values())
    prediction = predict_target(ctx.view.target(target), stations, span, ctx.view.now())
    outlook = prediction.outlook
    services = without_missed(outlook.services, outlook.contacts, ctx.view.missed(target))
    return replace(prediction, outlook=replace(outlook, services=services))


def _sequence(ctx: Context, entry: Entry) -> tuple[Sequence | None, SequenceKnowledge]:
    if entry.sequence is None:
        return None, SequenceKnowledge()
    sequences = {each.name: each for each in ctx.view.target(entry.target).sequences}
    if entry.sequence not in sequences:
        raise not_found(f"sequence of {entry.target}", entry.sequence, list(sequences))
    return sequences[entry.sequence], ctx.view.knowledge(entry.target, entry.sequence)


def _check_unchanged(ctx: Context, target: str, ledger_at: int) -> None:
    wanted = RecordFilter(subject=target, after=ledger_at)
    newer = [each for each in ctx.view.records(wanted, 50) if not each.kind.startswith("alert-")]
    if newer:
        raise Problem(
            409,
            "too-long-ago",
            f"record {newer[0].number} ({newer[0].kind}, by {newer[0].author}) came meanwhile: "
            "look at what this would change now",
        )


def _created(content: Any, record: Record) -> Response:
    from contactd.faces.http.payloads import as_json

    return Response(
        as_json(content),
        201,
        {"Location": f"/api/v1/records/{record.number}", "Cache-Control": "no-store"},
        "application/json",
    )
