"""Errors as problem documents: stable codes, and what to do, in ``application/problem+json``.

Source: RFC 9457, Problem Details for HTTP APIs (``type``, ``title``, ``status``, ``detail``,
``instance``, and members of our own beside them).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from contactd.core.errors import (
    ContactdError,
    InputError,
    InputErrors,
    LedgerError,
    PropagationError,
)

MEDIA_TYPE = "application/problem+json"
TYPES = "/api/v1/problems/"
MOST_LISTED = 8

TITLES: Mapping[str, str] = {
    "input": "What was sent cannot be used",
    "not-found": "There is no such thing",
    "token-needed": "A token is needed",
    "role-needed": "This needs the operator role",
    "csrf": "The request did not come from the page",
    "wrong-host": "The service does not answer for this host name",
    "wrong-method": "This address does not take that method",
    "too-large": "Too much was sent",
    "too-slow": "It was sent too slowly",
    "too-many": "Too many tries",
    "starting": "The service is starting",
    "busy": "The service is busy",
    "too-long-ago": "The state changed meanwhile",
    "key-used": "The key was used for another entry",
    "done": "It was done before",
    "cannot-predict": "The target cannot be predicted",
    "ledger": "The ledger cannot be used at present",
    "not-here": "This installation cannot do that",
    "unexpected": "Something unexpected went wrong",
}
"""Every code there is, and its title. A code is never renamed."""

_BY_STATUS = {
    404: "not-found",
    405: "wrong-method",
    408: "too-slow",
    413: "too-large",
    429: "too-many",
}


class ProblemDocument(BaseModel):
    """An error (RFC 9457)."""

    model_config = ConfigDict(extra="allow")

    type: str = Field(examples=["/api/v1/problems/not-found"])
    title: str
    status: int
    detail: str
    code: str
    instance: str | None = None


class Problem(Exception):
    """Something that a request cannot be answered for."""

    def __init__(
        self,
        status: int,
        code: str,
        detail: str,
        headers: Mapping[str, str] | None = None,
        **members: Any,
    ) -> None:
        assert code in TITLES, code
        super().__init__(detail)
        self.status = status
        self.code = code
        self.detail = detail
        self.headers = dict(headers or {})
        self.members = members

    def document(self, instance: str = "") -> dict[str, Any]:
        """The problem document."""
        return {
            "type": TYPES + self.code,
            "title": TITLES[self.code],
            "status": self.status,
            "detail": self.detail,
            "code": self.code,
            **({"instance": instance} if instance else {}),
            **self.members,
        }

    def response(self, instance: str = "") -> JSONResponse:
        """The answer that carries it."""
        return JSONResponse(
            self.document(instance), self.status, headers=self.headers, media_type=MEDIA_TYPE
        )


def not_found(kind: str, name: str, known: list[str]) -> Problem:
    """There is no such target, station …; the nearest names are told."""
    import difflib

    near = difflib.get_close_matches(name, known, n=1)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    if not near and known:
        more = f" and {len(known) - MOST_LISTED} more" if len(known) > MOST_LISTED else ""
        hint = f" Use one of {', '.join(map(repr, known[:MOST_LISTED]))}{more}."
    return Problem(404, "not-found", f"No {kind} {name!r}.{hint}", kind=kind, found=name)


def input_problem(*errors: InputError, status: int = 422) -> Problem:
    """What somebody entered cannot be used; one entry for each error."""
    return Problem(
        status,
        "input",
        "; ".join(_detail(error) for error in errors),
        errors=[
            {
                "key": error.key,
                "found": error.found,
                "expected": error.expected,
                "says": error.says or f"Expected {error.expected}.",
            }
            for error in errors
        ],
    )


def _detail(error: InputError) -> str:
    return f"{error.key}: {error.says}" if error.key and error.says else str(error)


def of_error(error: ContactdError) -> Problem:
    """The problem that an operating error is."""
    if isinstance(error, InputErrors):
        return input_problem(*error.errors)
    if error.code == "done":
        return Problem(409, "done", str(error))
    if isinstance(error, InputError):
        return input_problem(error)
    if isinstance(error, LedgerError):
        return Problem(503, "ledger", str(error), {"Retry-After": "5"})
    if isinstance(error, PropagationError):
        return Problem(409, "cannot-predict", error.reason, target=error.target)
    return Problem(409, "unexpected", str(error))


def install(app: FastAPI) -> None:
    """Answer every error of the application with a problem document."""

    @app.exception_handler(Problem)
    async def _problem(request: Request, error: Problem) -> JSONResponse:
        return error.response(request.url.path)

    @app.exception_handler(ContactdError)
    async def _operating(request: Request, error: ContactdError) -> JSONResponse:
        return of_error(error).response(request.url.path)

    @app.exception_handler(RequestValidationError)
    async def _invalid(request: Request, error: RequestValidationError) -> JSONResponse:
        found = [
            InputError(
                expected=str(each["msg"]).removeprefix("Value error, "),
                found=_short(each.get("input")),
                key=str(each["loc"][-1]),
                says=_sentence(each),
            )
            for each in error.errors()[:20]
        ]
        return input_problem(*found).response(request.url.path)

    @app.exception_handler(HTTPException)
    async def _http(request: Request, error: HTTPException) -> JSONResponse:
        code = _BY_STATUS.get(error.status_code, "unexpected")
        problem = Problem(error.status_code, code, str(error.detail), error.headers)
        return problem.response(request.url.path)

    @app.exception_handler(Exception)
    async def _unexpected(request: Request, error: Exception) -> JSONResponse:
        detail = f"{type(error).__name__}; the service goes on, and its log says more"
        return Problem(500, "unexpected", detail).response(request.url.path)


def _sentence(error: Any) -> str:
    if error["type"] == "missing":
        return "Enter it."
    if error["type"] in ("extra_forbidden", "unexpected_keyword_argument"):
        return f"Unknown key {str(error['loc'][-1])!r}. Remove it."
    text = str(error["msg"]).removeprefix("Value error, ")
    return text if text.endswith(".") else f"Expected {text}."


def _short(value: Any) -> str:
    if value is None or isinstance(value, dict | list):
        return ""
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "…"
