"""Alignment: which settings and start times put every step where it is wanted."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Body, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from contactd.core.errors import InputError
from contactd.core.intervals import IntervalSet
from contactd.core.outlook import Snapshot
from contactd.core.record import Record
from contactd.core.sequences.align import Rank, Robust
from contactd.faces.http.capacity import for_an_entry
from contactd.faces.http.context import Context, Ctx, From, Instant, Name, Operator, Reader, To
from contactd.faces.http.entries import key_used
from contactd.faces.http.payloads import as_json, document
from contactd.faces.http.planning import Desk, alignment_form, plan_records, setting_forms
from contactd.faces.http.problems import Problem, not_found
from contactd.faces.http.routes.records import Key, change_in
from contactd.mission.documents import models
from contactd.mission.documents.service import change_form, record_form
from contactd.mission.documents.spans import inner_form, inner_forms, lower
from contactd.mission.timetext import NEAREST, machine

router = APIRouter(tags=["alignment"])

LONGEST_SETTINGS = 8_000
Settings = Annotated[
    str,
    Query(
        max_length=LONGEST_SETTINGS,
        description='Settings that are given, as JSON: {"step": seconds}.',
        examples=['{"receiver on": 28800}'],
    ),
]
Robustness = Annotated[Robust, Query(description="What the plan must survive.")]


@router.get("/alignment", response_model=models.Alignment, summary="The best plans")
def alignment(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Name,
    sequence: Name,
    start: From = None,
    end: To = None,
    settings: Settings = "{}",
    rank: Rank = Rank.MARGIN,
    robust: Robustness = Robust.NOTHING,
    limit: Annotated[int, Query(ge=1, le=20)] = 5,
) -> Response:
    """Settings and start times, best first; or, where there are none, what stands in the way."""
    desk = _desk(ctx, target, sequence, start, end, robust)
    given = _settings(settings)
    key = (target, sequence, start, end, settings, rank, robust, limit)
    return ctx.payloads.answer(
        request, lambda: alignment_form(desk.options(given, rank, limit)), *key
    )


@router.get("/alignment/starts", response_model=models.Starts, summary="What settings leave")
def starts(
    request: Request,
    ctx: Ctx,
    _: Reader,
    target: Name,
    sequence: Name,
    start: From = None,
    end: To = None,
    settings: Settings = "{}",
    robust: Robustness = Robust.NOTHING,
    at: Annotated[
        Instant | None, Query(description="Forecast the steps for a start then; else the best.")
    ] = None,
) -> Response:
    """With every setting chosen (as given, else as known or configured): the start times that
    keep all steps covered, what each rule alone would allow, and the steps for one start."""
    desk = _desk(ctx, target, sequence, start, end, robust)
    given = _settings(settings)

    def make() -> Any:
        whole = desk.whole(given)
        feasible = desk.feasible(whole)
        best = None
        if feasible:
            longest = int(feasible.durations_s.argmax())
            first, last = float(feasible.starts[longest]), float(feasible.ends[longest])
            best = {
                "start": machine((first + last) / 2, NEAREST),
                "margin_s": lower((last - first) / 2),
            }
            shown = (first + last) / 2 if at is None else at
        else:
            shown = sum(desk.allowed) / 2 if at is None else at
        return {
            "target": target,
            "sequence": sequence,
            "allowed": inner_form(desk.allowed),
            "settings": setting_forms(desk.sequence, whole),
            "feasible": inner_forms(feasible),
            "by_rule": desk.by_rule(whole),
            "best": best,
            "at": machine(shown, NEAREST),
            "steps": desk.steps_at(shown, whole),
        }

    return ctx.payloads.answer(request, make, target, sequence, start, end, settings, robust, at)


class ChosenPlan(BaseModel):
    """A plan to be used."""

    model_config = ConfigDict(extra="forbid")

    target: str = Field(max_length=200)
    sequence: str = Field(max_length=200)
    start: Instant
    settings: dict[str, float] = Field(default_factory=dict, max_length=200)


@router.post("/alignment/preview", response_model=models.PlanPreview, summary="What a plan changes")
def preview(
    request: Request, ctx: Ctx, caller: Reader, plan: Annotated[ChosenPlan, Body()]
) -> Response:
    """What using a plan would change; nothing is written."""
    desk = _desk(ctx, plan.target, plan.sequence, None, None, Robust.NOTHING)
    now = ctx.view.now()
    author = caller.name or "preview"
    made = plan_records(desk.sequence, plan.settings, plan.start, author, now)
    before = ctx.view.snapshot()
    change = change_form(change_in(before, ctx.view.suppose(made), plan.target))
    records = [record_form(each) for each in made]
    return document(request, {**change, "ledger_at": before.ledger_at, "records": records})


@router.post(
    "/alignment/use", response_model=models.PlanWritten, status_code=201, summary="Use a plan"
)
async def use(
    ctx: Ctx, caller: Operator, plan: Annotated[ChosenPlan, Body()], key: Key = None
) -> Response:
    """Write the settings and the planned start as records, all or none."""
    identity = f"plan:{caller.name}:{key}" if key else ""

    def make() -> tuple[list[Record], Snapshot]:
        desk = _desk(ctx, plan.target, plan.sequence, None, None, Robust.NOTHING)
        now = ctx.view.now()
        made = plan_records(desk.sequence, plan.settings, plan.start, caller.name, now, identity)
        return made, ctx.view.snapshot()

    def told(before: Snapshot, made: list[Record], written: Sequence[Record]) -> Any:
        facts = [(each.kind, each.subject, dict(each.body)) for each in made]
        if facts != [(each.kind, each.subject, dict(each.body)) for each in written]:
            raise key_used(str(key), written[0].number)
        change = change_form(change_in(before, ctx.view.suppose(()), plan.target))
        return {**change, "records": [record_form(each) for each in written]}

    # Whatever computes runs in a thread: nothing may hold up the service's own loop.
    made, before = await for_an_entry(make)
    written = await ctx.view.commit(made)
    content = await for_an_entry(told, before, made, written)
    return Response(as_json(content), 201, {"Cache-Control": "no-store"}, "application/json")


def _desk(
    ctx: Context,
    target: str,
    sequence: str,
    start: float | None,
    end: float | None,
    robust: Robust,
) -> Desk:
    ctx.outlook(target)
    sequences = {each.name: each for each in ctx.view.target(target).sequences}
    if sequence not in sequences:
        raise not_found(f"sequence of {target}", sequence, list(sequences))
    try:
        prediction = ctx.view.prediction(target)
    except KeyError:
        raise Problem(
            503, "cannot-predict", f"{target} is not predicted yet", {"Retry-After": "2"}
        ) from None
    allowed = None
    if start is not None or end is not None:
        first = prediction.outlook.span[0] if start is None else start
        last = prediction.outlook.span[1] if end is None else end
        if last <= first:
            raise InputError("a time after from", str(machine(last, NEAREST)), "to")
        allowed = IntervalSet([first], [last])
    knowledge = ctx.view.knowledge(target, sequence)
    return Desk(sequences[sequence], knowledge, prediction, allowed, robust)


def _settings(text: str) -> dict[str, float]:
    try:
        found = json.loads(text)
    except ValueError:
        found = None
    if not isinstance(found, dict) or not all(
        isinstance(value, int | float) and not isinstance(value, bool) for value in found.values()
    ):
        raise InputError('a JSON object such as {"receiver on": 28800}', text[:80], "settings")
    return {str(name): float(value) for name, value in found.items()}
