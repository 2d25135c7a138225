"""The application: routes over a view of the running service."""

from __future__ import annotations

from typing import Protocol

from fastapi import FastAPI, Response
from fastapi.responses import JSONResponse, PlainTextResponse
from prometheus_client import CONTENT_TYPE_LATEST

from contactd import __version__
from contactd.core.outlook import Health, Snapshot


class View(Protocol):
    """What the HTTP face may see of the service."""

    def snapshot(self) -> Snapshot:
        """The latest snapshot."""
        ...

    def health(self) -> Health:
        """Whether the service lives and can be relied on, at this moment."""
        ...

    def metrics(self) -> bytes:
        """The metrics in the text exposition format."""
        ...


def build_app(view: View) -> FastAPI:
    """The application, over a view. Its own interactive pages are off: they fetch from outside."""
    app = FastAPI(
        title="contactd",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
    )

    @app.get("/metrics", response_class=PlainTextResponse, tags=["operation"])
    def metrics() -> Response:
        """Metrics in the Prometheus text format."""
        return Response(view.metrics(), media_type=CONTENT_TYPE_LATEST)

    @app.get("/health/live", tags=["operation"])
    def live() -> JSONResponse:
        """200 while the service beats, 503 when it should be restarted."""
        health = view.health()
        body = {"live": health.live, "reasons": list(health.reasons)}
        return JSONResponse(body, 200 if health.live else 503)

    @app.get("/health/ready", tags=["operation"])
    def ready() -> JSONResponse:
        """200 once everything is planned, 503 while the service cannot be relied on."""
        health = view.health()
        body = {"ready": health.ready, "reasons": list(health.reasons)}
        return JSONResponse(body, 200 if health.ready else 503)

    return app
