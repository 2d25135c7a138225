"""Signing in and out of the page, and the stream of changes."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Request, Response
from fastapi.responses import JSONResponse, StreamingResponse

from contactd.faces.http.access import COOKIE, SESSION_S, Caller
from contactd.faces.http.context import Context, Ctx, Reader
from contactd.faces.http.middleware import HEADERS_ONLY
from contactd.faces.tokens import Role
from contactd.mission.documents import models

router = APIRouter(tags=["session"])


@router.get("/session", response_model=models.Session, summary="Who is signed in")
def who(ctx: Ctx, caller: Reader) -> Response:
    """The caller's name and role, and what the page must repeat when it changes something."""
    return _answer(ctx, caller)


@router.post("/session", response_model=models.Session, summary="Sign in with a token")
def sign_in(
    request: Request,
    ctx: Ctx,
    token: Annotated[str, Body(embed=True, min_length=1, max_length=200)],
) -> Response:
    """Exchange a token for a session: a cookie that lasts twelve hours, or until signing out."""
    cookie, caller = ctx.access.open(request, token.strip())
    response = _answer(ctx, caller)
    response.set_cookie(
        COOKIE,
        cookie,
        max_age=int(SESSION_S),
        path="/",
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
    )
    return response


@router.delete("/session", status_code=204, summary="Sign out")
def sign_out(request: Request, ctx: Ctx) -> Response:
    """End the session; without one, nothing happens."""
    ctx.access.close(request)
    response = Response(status_code=204)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response


@router.get(
    "/changes",
    summary="Live change",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {}}, "description": "Server-sent events."}},
)
async def changes(request: Request, ctx: Ctx, _: Reader) -> Response:
    """Server-sent events: ``beat`` every 1.5 s with the service's time and health, ``change``
    whenever something new is known."""
    ctx.changes.check_room()
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    if HEADERS_ONLY in request.scope:
        return Response(media_type="text/event-stream", headers=headers)
    return StreamingResponse(ctx.changes.listen(), media_type="text/event-stream", headers=headers)


def _answer(ctx: Context, caller: Caller) -> JSONResponse:
    tokens = ctx.access.rules.tokens
    return JSONResponse(
        {
            "name": caller.name,
            "role": caller.role,
            "csrf": caller.csrf,
            "can_change": caller.operates,
            "operators_exist": any(token.role is Role.OPERATOR for token in tokens),
        },
        headers={"Cache-Control": "no-store"},
    )
