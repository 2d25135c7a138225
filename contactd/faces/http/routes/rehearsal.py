"""Steering a rehearsal while it runs live; anywhere else there is nothing to steer."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field, model_validator

from contactd.faces.http.context import Context, Ctx, Operator, Reader
from contactd.faces.http.problems import Problem
from contactd.faces.http.steering import Steering

router = APIRouter(tags=["rehearsal"])

LONGEST_JUMP_S = 30 * 86_400.0


class RehearsalState(BaseModel):
    """How far a rehearsal has come, and how its time goes."""

    title: str
    after_s: float = Field(description="seconds after its beginning")
    lasts_s: float
    next_event_s: float | None = Field(description="when the script has its next event")
    speed: float = Field(description="seconds of the rehearsal per second")
    paused: bool


class Steer(BaseModel):
    """One change of a rehearsal's time."""

    model_config = ConfigDict(extra="forbid")

    paused: bool | None = None
    speed: float | None = Field(default=None, ge=0.01, le=10_000.0)
    jump_s: float | None = Field(default=None, gt=0.0, le=LONGEST_JUMP_S)

    @model_validator(mode="after")
    def _says_one_thing(self) -> Steer:
        if sum(each is not None for each in (self.paused, self.speed, self.jump_s)) != 1:
            raise ValueError("one of paused, speed and jump_s")
        return self


@router.get("/rehearsal", response_model=RehearsalState, summary="The rehearsal's time")
async def rehearsal(ctx: Ctx, _: Reader) -> Response:
    """How far the rehearsal has come; 404 where this is none."""
    return _answer(_steering(ctx))


@router.post("/rehearsal", response_model=RehearsalState, summary="Steer the rehearsal")
async def steer(ctx: Ctx, caller: Operator, asked: Annotated[Steer, Body()]) -> Response:
    """Pause it, let it go on, let it run at another speed, or jump ahead: no further than to what
    happens next. Only a rehearsal can be steered; 404 where this is none."""
    steering = _steering(ctx)
    if asked.paused is not None:
        (steering.pause if asked.paused else steering.resume)(caller.name)
    if asked.speed is not None:
        steering.set_speed(asked.speed, caller.name)
    if asked.jump_s is not None:
        steering.jump(asked.jump_s, caller.name)
    return _answer(steering)


def _steering(ctx: Context) -> Steering:
    if ctx.steering is None:
        raise Problem(404, "not-here", "this is no rehearsal: its time cannot be steered")
    return ctx.steering


def _answer(steering: Steering) -> JSONResponse:
    return JSONResponse(steering.state(), headers={"Cache-Control": "no-store"})
