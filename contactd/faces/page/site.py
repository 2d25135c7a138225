"""The operator's page: static files, all of them shipped with the package."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi import APIRouter
from fastapi.responses import FileResponse
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from contactd.faces.http.context import Reader

STATIC = Path(__file__).parent / "static"

router = APIRouter(include_in_schema=False)


class _Files(StaticFiles):
    """Files that a browser asks about again each time, so that a new version is never half old."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        response.headers["Cache-Control"] = "no-cache"
        return response


def static_files() -> StaticFiles:
    """Scripts, styles, type and map of the page."""
    return _Files(directory=STATIC)


@router.get("/", response_class=FileResponse)
def page() -> Any:
    """The page; which screen it shows stands after the # in its address."""
    return FileResponse(STATIC / "index.html", headers={"Cache-Control": "no-cache"})


@router.get("/api/v1/docs", response_class=FileResponse)
def documentation(_: Reader) -> Any:
    """The interface's documentation, made in the browser from its OpenAPI document."""
    return FileResponse(STATIC / "docs.html", headers={"Cache-Control": "no-cache"})


@router.get("/favicon.ico", response_class=FileResponse)
def icon() -> Any:
    """The page's sign."""
    return FileResponse(STATIC / "icon.svg", media_type="image/svg+xml")
