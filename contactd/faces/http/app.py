"""The application: routes over a view of the running service."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import APIRouter, FastAPI, Response
from fastapi.responses import JSONResponse, PlainTextResponse
from prometheus_client import CONTENT_TYPE_LATEST
from starlette.middleware.gzip import GZipMiddleware

from contactd import __version__
from contactd.faces.http import problems
from contactd.faces.http.access import Access, AccessRules
from contactd.faces.http.capacity import Capacity, for_a_scraper
from contactd.faces.http.context import Context, Scraper
from contactd.faces.http.middleware import Protection
from contactd.faces.http.payloads import Payloads
from contactd.faces.http.routes import (
    alignment,
    calendar,
    handover,
    links,
    motions,
    orbit,
    outlooks,
    records,
    reference,
    rehearsal,
    sessions,
    sheets,
    station_time,
)
from contactd.faces.http.steering import Steering
from contactd.faces.http.stream import Changes
from contactd.faces.http.view import View
from contactd.faces.page.site import router as page_router
from contactd.faces.page.site import static_files
from contactd.mission.texts.notice import NOTICE

DESCRIPTION = f"""\
What contactd knows of satellites' contacts, command windows and onboard countdowns.

Times are RFC 3339 UTC. Errors are problem documents (RFC 9457). Answers carry an `ETag`; ask again
with `If-None-Match`. Send a token as `Authorization: Bearer …`; changing anything needs one with
the operator role. {NOTICE}
"""


def build_app(
    view: View,
    rules: Callable[[], AccessRules] = AccessRules,
    steering: Steering | None = None,
) -> FastAPI:
    """The application, over a view.

    Its interactive pages are its own: the library's fetch from outside.

    Args:
        rules: who may do what at this moment; by default, the machine itself may read and nobody
            may change anything.
        steering: the time of a rehearsal; None where this is none.
    """
    app = FastAPI(
        title="contactd",
        version=__version__,
        description=DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        responses={
            "4XX": {"model": problems.ProblemDocument, "description": "A problem (RFC 9457)."},
            "5XX": {"model": problems.ProblemDocument, "description": "A problem (RFC 9457)."},
        },
    )
    payloads, access = Payloads(view), Access(rules)
    app.state.context = Context(view, access, payloads, Changes(view, payloads), steering)
    problems.install(app)
    app.add_middleware(GZipMiddleware, minimum_size=1000, compresslevel=6)
    app.add_middleware(Capacity)
    app.add_middleware(Protection, access=access)
    app.include_router(_operation(view))
    for part in (
        reference,
        sessions,
        outlooks,
        motions,
        orbit,
        records,
        alignment,
        sheets,
        handover,
        rehearsal,
        station_time,
    ):
        app.include_router(part.router, prefix="/api/v1")
    app.state.published = calendar.Published()
    app.include_router(calendar.router)
    app.include_router(links.router)
    app.include_router(page_router)
    _describe_problems(app)
    app.mount("/static", static_files(), name="static")
    return app


PROBLEM = problems.ProblemDocument.__name__


def _describe_problems(app: FastAPI) -> None:
    """Let the interface's description say that problems have a media type of their own."""
    made = app.openapi

    def described() -> dict[str, Any]:
        fresh = app.openapi_schema is None
        schema: dict[str, Any] = made()
        if fresh:
            # The library names a model by its module too where two share a name.
            [name] = [each for each in schema["components"]["schemas"] if each.endswith(PROBLEM)]
            form = {"schema": {"$ref": f"#/components/schemas/{name}"}}
            for path in schema["paths"].values():
                for operation in path.values():
                    for status, answer in operation["responses"].items():
                        if status[0] in "45":
                            answer["content"] = {"application/problem+json": form}
        return schema

    app.openapi = described  # type: ignore[method-assign]


def _operation(view: View) -> APIRouter:
    router = APIRouter(tags=["operation"])

    @router.get("/metrics", response_class=PlainTextResponse)
    async def metrics(_: Scraper) -> Response:
        """Metrics in the Prometheus text format."""
        return Response(await for_a_scraper(view.metrics), media_type=CONTENT_TYPE_LATEST)

    @router.get("/health/live")
    async def live() -> JSONResponse:
        """200 while the service beats, 503 when it should be restarted."""
        health = view.health()
        body = {"live": health.live, "reasons": list(health.reasons)}
        return JSONResponse(body, 200 if health.live else 503)

    @router.get("/health/ready")
    async def ready() -> JSONResponse:
        """200 once everything is planned, 503 while the service cannot be relied on.

        Of several services on one ledger, one that follows is ready too: it serves reading, takes
        entries, and can take over. `role` says whether this one leads.
        """
        health = view.health()
        body: dict[str, Any] = {"ready": health.ready, "reasons": list(health.reasons)}
        if health.role:
            body |= {"role": health.role, "leader": health.leader}
        return JSONResponse(body, 200 if health.ready else 503)

    return router
