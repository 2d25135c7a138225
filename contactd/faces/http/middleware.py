"""What holds for every request: limits on what is sent, and headers on what is answered."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from contactd.faces.http.problems import Problem

MOST_BODY_BYTES = 65_536
MOST_QUERY_BYTES = 16_384

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
    """Refuses what is too large, and says on every answer what a browser may do with it."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

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

        declared = Headers(scope=scope).get("content-length", "0")
        too_long = not declared.isdigit() or int(declared) > MOST_BODY_BYTES
        if too_long or len(scope["query_string"]) > MOST_QUERY_BYTES:
            await _too_large(scope, receive, protected)
            return
        body = await _bounded(receive)
        if body is None:
            await _too_large(scope, receive, protected)
            return
        await self.app(scope, _replay(body, receive), protected)


async def _bounded(receive: Receive) -> bytes | None:
    """The whole body of a request, or None if it is too large."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return b"".join(parts)
        parts.append(message.get("body", b""))
        size += len(parts[-1])
        if size > MOST_BODY_BYTES:
            return None
        if not message.get("more_body", False):
            return b"".join(parts)


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


async def _too_large(scope: Scope, receive: Receive, send: Send) -> None:
    detail = f"at most {MOST_BODY_BYTES} bytes are taken, and {MOST_QUERY_BYTES} in the address"
    await Problem(413, "too-large", detail).response(scope["path"])(scope, receive, send)
