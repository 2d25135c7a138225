"""What there is: the interface's own index, its problems, and where it is documented."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse

from contactd import __version__
from contactd.faces.http.context import Reader
from contactd.faces.http.problems import TITLES, TYPES, not_found

router = APIRouter(tags=["reference"])


@router.get("/", summary="What there is")
def index(request: Request, _: Reader) -> dict[str, Any]:
    """The version, and the address of each document."""
    paths = sorted({route.path for route in request.app.routes if hasattr(route, "path")})
    return {
        "name": "contactd",
        "version": __version__,
        "openapi": "/api/v1/openapi.json",
        "documentation": "/api/v1/docs",
        "paths": [path for path in paths if path.startswith("/api/v1/")],
    }


@router.get("/openapi.json", include_in_schema=False)
def openapi(request: Request, _: Reader) -> JSONResponse:
    """The interface's description (OpenAPI)."""
    return JSONResponse(request.app.openapi())


@router.get("/problems/{code}", summary="What a problem's type means")
def problem(code: str, _: Reader) -> dict[str, str]:
    """The title of a problem by its code."""
    if code not in TITLES:
        raise not_found("problem", code, list(TITLES))
    return {"type": TYPES + code, "code": code, "title": TITLES[code]}
