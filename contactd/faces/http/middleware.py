"""What holds for every request: limits on what is sent, and headers on what is answered.

``HEAD`` is answered wherever ``GET`` is, by the same routes; the server leaves the body out. A body
is JSON that says each key once (RFC 8259 leaves open which of two would count).
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from typing import Any

from starlette.datastructures import URL, Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from contactd.faces.http.access import Access
from contactd.faces.http.problems import Problem

MOST_BODY_BYTES = 65_536
MOST_QUERY_BYTES = 16_384
BODY_WITHIN_S = 10.0
"""A body that has not come by then is not waited for."""
HEADERS_ONLY = "contactd.headers_only"
"""Key of a request's scope: true where the caller wants no body."""

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
        "trusted-types 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


class Protection:
    """Refuses foreign host names and what is too large; says on every answer what a browser may do
    with it."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self.app = app
        self.access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def protected(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            self.access.check_host(_host(scope))
            body = await _checked_body(scope, receive)
        except Problem as problem:
            await problem.response(scope["path"])(scope, receive, protected)
            return
        if scope["method"] == "HEAD":
            scope = {**scope, "method": "GET", HEADERS_ONLY: True}
        await self.app(scope, _replay(body, receive), protected)


def _host(scope: Scope) -> str:
    """The host name that was asked for; "" where it is none."""
    try:
        return URL(scope=scope).hostname or ""
    except ValueError:
        return ""


async def _checked_body(scope: Scope, receive: Receive) -> bytes:
    """The whole body of a request.

    Raises:
        Problem: 413 for what is too large, 408 for what comes too slowly, 400 for what is no JSON.
    """
    declared = Headers(scope=scope).get("content-length", "0")
    too_long = not declared.isdigit() or int(declared) > MOST_BODY_BYTES
    if too_long or len(scope["query_string"]) > MOST_QUERY_BYTES:
        raise _too_large()
    try:
        async with asyncio.timeout(BODY_WITHIN_S):
            body = await _bounded(receive)
    except TimeoutError:
        detail = f"the body did not come within {BODY_WITHIN_S:.0f} s: send it again"
        raise Problem(408, "too-slow", detail, {"Connection": "close"}) from None
    fault = _fault(body)
    if fault:
        raise Problem(400, "input", fault)
    return body


async def _bounded(receive: Receive) -> bytes:
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return b"".join(parts)
        parts.append(message.get("body", b""))
        size += len(parts[-1])
        if size > MOST_BODY_BYTES:
            raise _too_large()
        if not message.get("more_body", False):
            return b"".join(parts)


def _fault(body: bytes) -> str:
    """Why a body cannot be taken, or ""."""
    if not body.strip():
        return ""
    try:
        json.loads(body, object_pairs_hook=_each_once, parse_constant=_no_number)
    except RecursionError:
        return "found JSON that is nested too deep; expected objects and lists a few levels deep"
    except json.JSONDecodeError as error:
        return f"found no JSON (line {error.lineno}, column {error.colno}): {error.msg}"
    except ValueError as error:
        return str(error)
    return ""


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise ValueError(f"found key {key!r} twice; expected each key once")
        found[key] = value
    return found


def _no_number(text: str) -> float:
    raise ValueError(f"found {text}; expected a number")


def _replay(body: bytes, receive: Receive) -> Callable[[], Awaitable[Message]]:
    """A receiver that gives the body that was read, and then what the asker does next."""
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again


def _too_large() -> Problem:
    detail = f"at most {MOST_BODY_BYTES} bytes are taken, and {MOST_QUERY_BYTES} in the address"
    return Problem(413, "too-large", detail)
